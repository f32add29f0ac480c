"""A study in words: what it holds, what is missing, and the questions that make a new one."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from doe.cli import typed
from doe.cli.ask import ask, ask_choice, ask_text, ask_yes
from doe.cli.output import Block, Table, Warn, quoted, say
from doe.domain.errors import InputError, plain
from doe.domain.factors import DEFAULT_FACTORS, KNOWN_FACTORS, Factor, usual_factor
from doe.domain.limits import LIMIT_LABELS, Limits, missing_limits, needed_limits, range_warnings
from doe.domain.space import Forbidden
from doe.domain.study import MAX_FACTORS, Study
from doe.domain.units import SYMBOLS, Shown, show
from reports.wording import amount_range

if TYPE_CHECKING:
    from doe.book import Book, StudyRecord
    from doe.cli.acts import ScoreCounts
    from doe.cli.desk import Desk

_OPTION_OF = {field: name for name, field in typed.LIMIT_NAMES.items()}


def needed(value: str | None, option: str) -> str:
    """A value that must be given when nobody can be asked."""
    if value is None:
        raise InputError(option, "nothing", "a value", 'Write: doe study new "a name" --stack STACK --line LINE.')
    return value


def missing(study: Study) -> list[str]:
    """Limits that are not known yet, by the names used at the command line."""
    return [_OPTION_OF[name] for name in missing_limits(study.factors, study.limits)]


def limits_command(study: Study) -> str:
    """The command that would give the missing limits."""
    words = " ".join(f'--limit "{name}=VALUE@SOURCE"' for name in missing(study))
    return f"doe study limits {quoted(study.name)} {words}"


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
        rows.append((
            f.name, amount_range(f, f.low, f.high, shown), _delta(f.setting_sd, f.unit, shown),
            _delta(f.step or 0, f.unit, shown), "slow to change" if f.hard_to_change else "",
        ))  # fmt: skip
    return Table(("factor", "range", "setting error", "step", ""), rows, right=("setting error", "step"))


def _delta(value: float, unit: str, shown: Shown) -> str:
    return f"{plain(round(shown.delta(value, unit), 2))} {SYMBOLS[shown.unit(unit)]}"


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


def ask_study(
    desk: Desk, book: Book, *, name: str | None, stack: str | None, line: str | None
) -> tuple[Study, str, str]:
    """Ask for everything a study needs; returns it with the names of its stack and line."""
    stacks, lines = [s.name for s in book.stacks()], [x.name for x in book.lines()]
    for what, found in (("stack", stacks), ("line", lines)):
        if not found:
            raise InputError(what, "none in the book", f"at least one {what}", f"Add it first: doe {what} add --help.")
    name = name or ask_text("What is being tuned, in a few words")
    stack = stack or ask_choice("Which stack", stacks, default="1")
    line = line or ask_choice("Which line", lines, default="1")
    factors = ask_factors(desk.shown)
    spec = typed.spec(None, None, None, ())
    say("\nWhat counts as good enough?")
    rate = ask("Share of prints that must pass", lambda t: typed.share(t, "share"), default=f"{spec.pass_rate:.0%}")
    hand = ask_text("Least mean hand-feel, 1 (stiff) to 5 (soft), or none", default=f"{spec.hand_min:g}")
    spec = typed.spec(str(rate), hand, None, ())
    rules: list[str] = []
    while rule := ask_text(
        "A combination never to make, like cure_temp >= 135 and cure_time >= 180 (Enter: none)", default=""
    ):
        rules.append(rule)
    held = []
    while text := ask_text("A setting held constant, like pressure=40psi (Enter: none)", default=""):
        held.append(text)
    study = Study(
        name=name, factors=factors, spec=spec, forbidden=typed.forbidden(rules, factors),
        held=typed.held(held, desk.shown, can_ask=True),
    )  # fmt: skip
    if ask_yes("Are the data sheets at hand, to type in the limits now?"):
        from dataclasses import replace

        study = replace(study, limits=ask_limits(study, desk.shown))
    return study, stack, line


def ask_factors(shown: Shown) -> tuple[Factor, ...]:
    """Ask which settings vary, and over which range."""
    usual = ", ".join(DEFAULT_FACTORS)
    say(f"\nSettings to vary, 2 to {MAX_FACTORS}. Known: {', '.join(KNOWN_FACTORS)}.")

    def read(text: str) -> list[str]:
        names = [part.strip() for part in text.split(",") if part.strip()]
        for one in names:
            usual_factor(one)
        if not 2 <= len(names) <= MAX_FACTORS:
            raise InputError("settings", len(names), f"2 to {MAX_FACTORS}", "Name those that matter most.")
        return names

    made = []
    for one in ask("Which", read, default=usual):
        known = KNOWN_FACTORS[one]
        if known.levels:
            made.append(ask(f"{one}: levels", _reader(one, shown), default="/".join(known.levels)))
            continue
        low, high = (f"{shown.value(v, known.unit):.4g}" for v in (known.low, known.high))
        unit = SYMBOLS[shown.unit(known.unit)]
        made.append(ask(f"{known.label} in {unit}, low..high", _reader(one, shown), default=f"{low}..{high}"))
    return tuple(made)


def _reader(name: str, shown: Shown) -> Callable[[str], Factor]:
    return lambda text: typed.factor(f"{name}={text}", shown, can_ask=True)


def ask_limits(study: Study, shown: Shown) -> Limits:
    """Ask for each missing limit with its source."""
    say("\nLimits from the makers' data sheets (value, or value@source).")
    found = study.limits
    for name in missing(study):
        field = typed.LIMIT_NAMES[name]

        def read(text: str, option: str = name, base: Limits | None = found) -> Limits:
            return typed.limits([f"{option}={text}"], base, shown, can_ask=True)

        found = ask(LIMIT_LABELS[field], read)
    return found or Limits()
