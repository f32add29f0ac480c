"""What a fit and its answer have to say beside their numbers, in sentences, and how an answer was made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from doe.domain.finding import Finding
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown, fixed
from doe.setpoint.answer import BOTH_ONCE, Answer
from doe.words.facts import Reader, Text, all_worded, filled, reader_of, texts_of
from doe.words.study.state import grades_at_odds, open_checks, prior_sentence
from doe.words.wording import amount_both, listing

ABOUT = texts_of("said_of_fits", "about")
"""Groups of priors, as what they are about."""

LEANING_OFF = "28 of 46"
"""Answers that lean on the priors whose stated rate was more than 10 points off the true one, on 60 other tuning lines;
of the 134 others 14 were. Counted by ``tests/benchmarks/priors.py --pulls 60 --first 8000``."""


def said(study: Study, facts: Sequence[Finding | str], shown: Shown = METRIC) -> tuple[str, ...]:
    """What a fit or an answer has to say, a sentence or two each; what was kept as a sentence stays as it was."""
    return all_worded(facts, {**WORDS, **_ABOVE}, reader_of(study, shown))


def cautions_left(answer: Answer) -> tuple[Finding | str, ...]:
    """Warnings of an answer that are not among the limits of its certainty."""
    return tuple(fact for fact in answer.warnings if fact not in answer.limits_on_certainty)


def _maybe_none(text: str) -> Text:
    """A text whose coupons an older book left out where there were none."""
    return lambda reader, *, coupons=0, **values: filled(text, reader, coupons=coupons, **values)


def _untried(reader: Reader, *, factors: tuple[str, ...], levels: tuple[str, ...]) -> str:
    tried = [f"{reader.label(name)} {level}" for name, level in zip(factors, levels, strict=True)]
    return (
        f"No coupon was made with {listing(tried, 'or')}: how far that differs is assumed. Until one is, it is neither "
        "said that no setting reaches the target, nor that one holds on every level where it has to."
    )


def _scorers_remedy(doubt: str, names: Sequence[str]) -> str:
    """What settles a doubt about the people who scored, as the end of a sentence."""
    people = [name or "one person" for name in names]
    if doubt == "one_scorer":
        return (
            "let a second person feel the coupons that transferred, without seeing what "
            f"{people[0]} said, and fit again"
        )
    if doubt == "never_compared":
        return "let two people feel the same coupons, each without seeing the other's scores, and fit again"
    return (
        f"settle what {listing(people)} mean by their scores (`doe people`), let both feel the coupons that "
        "transferred again, and fit again"
    )


def _changed(halved: str, doubled: str) -> str:
    """What would be said with the priors counted half or double, where that would be something else."""
    ways = (("half", halved), ("double", doubled))
    return ", counted ".join(f"{times} this would be called: {verdict}" for times, verdict in ways if verdict)


def _leans_on_priors(_: Reader, *, value: float, about: str, halved: str = "", doubled: str = "") -> str:
    changed = f" Counted {_changed(halved, doubled)}." if halved or doubled else ""
    return (
        "The numbers at this setting lean on what was assumed before any coupon: were that to count double, it would "
        f"{'raise' if value > 0 else 'lower'} the expected pass rate by about {fixed(100 * abs(value))} "
        "points, most of "
        f"all through {ABOUT[about]}.{changed} On simulated lines {LEANING_OFF} such answers were more than 10 points "
        "off."
    )


def _hangs_on_priors(_: Reader, *, halved: str = "", doubled: str = "") -> str:
    counted = _changed(halved, doubled)
    return f"What is said here hangs on what was assumed before any coupon, too: counted {counted}."


def _hand_fails_in_doubt(_: Reader, *, about: str, names: tuple[str, ...] = (), **gap: float) -> str:
    remedy = _scorers_remedy(about, names)
    return f"{_FAILS}, and its scores are in doubt. First {remedy}; no new coupon is needed for it."


def _best_beyond(way: str) -> Text:
    def said(reader: Reader, *, factors: tuple[str], value: float = 0.0, limit: float | None = None) -> str:
        f = reader.factors[factors[0]]
        room = "" if limit is None else f" (limit {amount_both(f, limit, reader.shown)})"
        return (
            f"The best {f.label} seems to lie {way} the tested {amount_both(f, value, reader.shown)}: move the "
            f"range if the limits permit{room}."
        )

    return said


_ABOVE: Mapping[str, Text] = {
    **texts_of("standing", "verdicts"),
    "open checks": open_checks,
    "grades at odds": grades_at_odds,
    "lent": prior_sentence,
}
"""How findings on the state of a study are said."""

_FAILS = "The checks alone can be met; hand-feel is what fails"

WORDS: Mapping[str, Text] = {
    **texts_of("said_of_fits", "said"),
    **{code: _maybe_none(text) for code, text in texts_of("said_of_fits", "perhaps_without_coupons").items()},
    "untried": _untried,
    "leans_on_priors": _leans_on_priors,
    "hangs_on_priors": _hangs_on_priors,
    "hand_fails_in_doubt": _hand_fails_in_doubt,
    "best_above": _best_beyond("above"),
    "best_below": _best_beyond("below"),
}
"""How each fact is said, by `doe.surfaces.facts.Code`."""

_SETTINGS = texts_of("said_of_fits", "settings")
_RATES = texts_of("said_of_fits", "rates")


def method_words(method: Mapping[str, float | str]) -> tuple[tuple[str, str], ...]:
    """How an answer was made and how often such verdicts are wrong, name and value; kept words stay as they were."""
    found: dict[str, str] = {}
    for key, value in method.items():
        rate, _, coupons = key.rpartition("_")
        if key == "model" and "setting_error" in method:
            kind = value or "surface put together by hand"
            found["model"] = f"{kind}, joint with hand-feel, tempered sequential Monte Carlo"
        elif key == "setting_error":
            of_hand = "" if value == BOTH_ONCE else "; hand-feel keeps the trial's too, on the careful side"
            found["setting error"] = (
                f"counted once: the trial's own taken out, production's full stated error put in{of_hand}"
            )
        elif key == "rated_lines":
            found["simulated lines behind the error rates"] = (
                f"{value:g} of seven kinds, on seeds that no prior was chosen on; four factors, wanted rate 95 %, one "
                "round"
            )
        elif key in ("locked_lines", "searched_lines"):
            how = "one round" if key == "locked_lines" else "searches step by step"
            found["simulated lines behind the error rates"] = (
                f"{value:g} of six families, unlike any that priors and verdicts were tuned on; four factors, "
                f"checks alone, wanted rate 95 %, {how}"
            )
        elif rate in _RATES:
            label = _RATES[rate]
            before = f"{found[label]}, " if label in found else ""
            most = "up to " if "searched_lines" in method else ""
            found[label] = f"{before}{value:g} of 100 ({most}{coupons} coupons)"
        elif key == "worse_below":
            names = ("false_ready", "ready_below_90", "bound_held")
            ready, ready_90, held = (method[f"worse_{name}_12"] for name in names)
            called = f" (only {method['worse_called_12']:g} lines were)" if "worse_called_12" in method else ""
            found[f"fewer than {value:g} coupons"] = (
                f"with 12, {ready:g} of 100 called ready{called} fell short of the wanted rate, {ready_90:g} of 100 of "
                f"90 %, and the lower bound held in {held:g} of 100"
            )
        elif not key.startswith("worse_"):
            text = value if isinstance(value, str) else f"{value:g}"
            found[_SETTINGS.get(key, key.replace("_", " "))] = text
    if "bound_held_20" in method or "bound_held_40" in method:
        found[_RATES["bound_held"]] += "; stated: 90"
    return tuple(found.items())
