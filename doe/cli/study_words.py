"""A study in words: what it holds, what is missing, and what comes next."""

from __future__ import annotations

from doe.acts.study.counts import ScoreCounts
from doe.acts.study.limits import limits_command, missing
from doe.book.records import StudyRecord
from doe.cli.output import Block, Table, Warn
from doe.domain.errors import plain
from doe.domain.factors import KNOWN_FACTORS, Factor
from doe.domain.limits import LIMIT_LABELS, LIMIT_NAMES, Limits, needed_limits, range_warnings
from doe.domain.space import Forbidden
from doe.domain.study import Study
from doe.domain.texts import quoted
from doe.domain.units import SYMBOLS, Shown, show
from doe.words import typed
from doe.words.wording import amount_range

_OPTION_OF = {field: name for name, field in LIMIT_NAMES.items()}


def next_step(study: Study, counts: ScoreCounts | None = None) -> str:
    """The command that usually comes next."""
    name = quoted(study.name)
    if missing(study):
        return limits_command(study)
    if counts is None or not counts.coupons:
        return f"doe plan {name} --coupons 20"
    return f"doe recommend {name}" if counts.scored else f"doe sheet {name} -o sheets"


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
                _delta(f.step or 0, f.unit, shown),
                "slow to change" if f.hard_to_change else "",
            )
        )
    return Table(("factor", "range", "setting error", "step", ""), rows, right=("setting error", "step"))


def _delta(value: float, unit: str, shown: Shown) -> str:
    return f"{plain(round(shown.delta(value, unit), 2))} {SYMBOLS[shown.unit(unit)]}"


def setting_error_words(f: Factor, shown: Shown) -> str:
    """Setting error of production, and the trial's own where one is stated."""
    own = "" if f.trial_sd is None else f" (trial {_delta(f.trial_sd, f.unit, shown)})"
    return _delta(f.setting_sd, f.unit, shown) + own


def limits_table(study: Study, shown: Shown) -> Table:
    """Every needed limit with its source, or that it is missing."""
    known = study.limits or Limits()
    rows = []
    for name in needed_limits(study.factors):
        value = getattr(known, name)
        text = "MISSING" if value is None else typed.limit_text(name, value, shown)
        rows.append((_OPTION_OF[name], text, known.sources.get(name, "") if value is not None else LIMIT_LABELS[name]))
    return Table(("limit", "value", "source"), rows)


def describe(record: StudyRecord, shown: Shown) -> list[Block]:
    """A study for a person: target, factors, limits, held settings, forbidden combinations, warnings."""
    study = record.study
    spec = study.spec
    hand = f", mean hand-feel at least {spec.hand_min:g}" if spec.hand_min is not None else ""
    blocks: list[Block] = [
        f"Target: {spec.pass_rate:.0%} of prints pass {', '.join(c.name for c in spec.checks)}{hand}; "
        f"statements meant to be {spec.assurance:.0%} sure.",
        factor_table(study.factors, shown),
        limits_table(study, shown),
    ]
    if study.held:
        blocks.append("\nHeld constant: " + ", ".join(_held(k, v, shown) for k, v in study.held.items()) + ".")
    blocks += [f"Never made: {_rule(study, rule, shown)}." for rule in study.forbidden]
    blocks += [Warn(text) for text in range_warnings(study.factors, dyed_polyester=record.stack.dyed_polyester)]
    return blocks


def _rule(study: Study, rule: Forbidden, shown: Shown) -> str:
    """A forbidden combination in the user's units, with its reason."""

    def amount(name: str, value: float | str) -> str:
        return value if isinstance(value, str) else show(value, study.factor(name).unit, shown)

    parts = [f"{c.factor} {c.compare} {amount(c.factor, c.value)}" for c in rule.clauses]
    return " and ".join(parts) + (f" ({rule.reason})" if rule.reason else "")


def _held(name: str, value: float | str, shown: Shown) -> str:
    if isinstance(value, str):
        return f"{name} {value}"
    return (
        f"{name} {show(value, KNOWN_FACTORS[name].unit, shown)}" if name in KNOWN_FACTORS else f"{name} {plain(value)}"
    )
