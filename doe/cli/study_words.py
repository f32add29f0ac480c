"""A study in words: what it holds, what is missing, and what comes next."""

from __future__ import annotations

from doe.acts.study.limits import missing
from doe.book.records import StudyRecord
from doe.cli.desk import Block, Table, Warn
from doe.domain.errors import quoted
from doe.domain.factors import Factor
from doe.domain.limits import LIMIT_OPTIONS, Limits, needed_limits
from doe.domain.standing import NextStep, StudyStanding
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.words import typed
from doe.words.limits import LIMIT_LABELS, range_warnings
from doe.words.study.standing import headline, meaning
from doe.words.study.state import (
    difference_plain,
    held_words,
    limits_command,
    rule_words,
    setting_error_words,
    target_words,
)
from doe.words.wording import amount_range


def step_command(study: Study, following: NextStep) -> str:
    """The command for what comes next."""
    if following.step == "limits":
        return limits_command(study.name, missing(study))
    name = quoted(following.name or study.name)
    commands = {
        "plan": f"plan {name} --coupons 20",
        "make": f"sheet {name} -o sheets" + (f" --round {following.round}" if following.round else ""),
        "recommend": f"recommend {name}",
        "washes": f"record {name} --washes",
        "feel": f"record {name} --coupon {following.coupon} --hand NAME=SCORE",
        "score": f"record {name}",
        "extend": f"extend {name} --coupons {following.coupons}",
        "confirm": f"confirm {name}",
        "compare": f"compare {name}",
        "report": f"report {name} -o report.html",
        "make_again": f"confirm {name} --replace",
        "confirmation_page": f"confirm {name} -o confirmation.html",
        "release": "release --help",
        "card": f"recipe card {name} -o card.html",
        "history": f"report --recipe {name} -o why.html",
        "retire": f'recipe retire {name} --why "..."',
        "measure": f"gauge show {name}",
    }
    return f"doe {commands[following.step]}"


def standing_data(known: StudyStanding, shown: Shown) -> dict[str, str]:
    """What is known of a study for ``--json``."""
    return {"state": known.state, "headline": headline(known, shown), "meaning": meaning(known, shown)}


def factor_table(factors: tuple[Factor, ...], shown: Shown) -> Table:
    """Factors with range, setting error and step in the user's units."""
    rows = []
    for f in factors:
        if f.is_categorical:
            rows.append((f.name, " / ".join(f.levels), "", "", ""))
            continue
        rows.append(
            (
                f.name,
                amount_range(f, f.low, f.high, shown),
                setting_error_words(f, shown),
                difference_plain(f.step or 0, f.unit, shown),
                "slow to change" if f.hard_to_change else "",
            )
        )
    return Table(("factor", "range", "setting error", "step", ""), rows, right=("setting error", "step"))


def limits_table(study: Study, shown: Shown) -> Table:
    """Every needed limit with its source, or that it is missing."""
    known = study.limits or Limits()
    rows = []
    for name in needed_limits(study.factors):
        value = getattr(known, name)
        text = "MISSING" if value is None else typed.limit_text(name, value, shown)
        rows.append(
            (LIMIT_OPTIONS[name], text, known.sources.get(name, "") if value is not None else LIMIT_LABELS[name])
        )
    return Table(("limit", "value", "source"), rows, is_list=True)


def describe(record: StudyRecord, shown: Shown) -> list[Block]:
    """A study for a person: target, factors, limits, held settings, forbidden combinations, warnings."""
    study = record.study
    blocks: list[Block] = [
        target_words(study.spec),
        factor_table(study.factors, shown),
        limits_table(study, shown),
    ]
    if study.held:
        blocks.append(f"\n{held_words(study.held, shown)}")
    blocks += [f"Never made: {rule_words(study, rule, shown)}." for rule in study.forbidden]
    blocks += [Warn(text) for text in range_warnings(study, shown, dyed_polyester=record.stack.dyed_polyester)]
    return blocks
