"""`doe fit`: fit the response surfaces and say whether they can be believed."""

from __future__ import annotations

from doe.acts.study.fits import fit_study
from doe.cli.desk import Desk, command
from doe.cli.output import Block, Reply, Table, Warn
from doe.domain.texts import quoted
from doe.words.study.setpoint import said as in_words
from doe.words.study.state import counts_sentence
from doe.words.wording import percent


@command("fit")
def fit(desk: Desk, study: str, seed: int | None = None) -> Reply:
    """Fit the surfaces to what is scored, and say what these coupons can and cannot tell."""
    with desk.open(create=False) as book, desk.progress("fitting") as tell:
        fitted = fit_study(book, study, seed=seed, progress=tell)
    surfaces, belief = fitted.surfaces, fitted.surfaces.belief
    rows = [(name, percent(max(share, 0))) for name, share in belief.learned.items()]
    learned = (
        Table(("factor", "learned"), rows, right=("learned",)),
        "\nlearned: how much narrower the place of the best setting is than before the coupons.",
    )
    sentences, warnings = (
        in_words(fitted.record.study, facts, desk.shown) for facts in (belief.facts, surfaces.warnings)
    )
    said: tuple[Block, ...] = (*(f"  {text}" for text in sentences), *(Warn(text) for text in warnings))
    return Reply(
        {
            "study": fitted.record.name,
            "counts": fitted.counts,
            "seed": fitted.seed,
            "inputs_hash": fitted.hash,
            "belief": {**fitted.belief_data(), "sentences": sentences},
            "warnings": warnings,
            "facts": surfaces.warnings,
        },
        (f"Fitted {fitted.record.name}. {counts_sentence(fitted.counts)}", *said, *learned),
        (f"doe recommend {quoted(fitted.record.name)}",),
    )
