"""Reading what a person typed for a stack, factors, limits, checks, held settings and shares."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from difflib import get_close_matches
from typing import Any

from doe.domain.errors import InputError, InputErrors
from doe.domain.factors import EVERY_LEVEL, KNOWN_FACTORS, Factor, usual_factor, value_bounds
from doe.domain.limits import LIMIT_NAMES, Limits
from doe.domain.materials import ANY, CLASS_WORDS, FACTS, MaterialFact, facts_of_make, told_by, with_what_follows
from doe.domain.said import meant, squeeze, words
from doe.domain.space import Forbidden
from doe.domain.spec import DEFAULT_CHECKS, Check, Spec
from doe.domain.stack import Material
from doe.domain.units import (
    METRIC,
    STORED_UNITS,
    Shown,
    delta_degf,
    looks_like_fahrenheit,
    parse_number,
    parse_quantity,
    show_both,
    stored_unit,
    to_stored,
    unit_spelled,
)

_OPTIONS = ("sd", "trial", "step", "unit", "scale", "slow", "stage", "label", "heated")
_NUMBER = r"[-+]?(?:\d+(?:[.,]\d+)?|[.,]\d+)(?:[eE][-+]?\d+)?"
_BETWEEN_ENDS = r"(?:\.{2,3}|…|[-–—]|\b(?:to|and|bis)\b)"
_SPAN = re.compile(
    r"(?:from\s+|between\s+)?(" + _NUMBER + r")\s*(.*?)\s*" + _BETWEEN_ENDS + r"\s*(" + _NUMBER + r")\s*(.*)",
    re.IGNORECASE,
)
_THOUSANDS = re.compile(r"[-+]?[1-9]\d{0,2}(?:[.,]\d{3})*,\d{3}(?!\d)")
_OTHER_UNIT = re.compile(r"(?<=\S)\s*\(" + _NUMBER + r"(?:\sto\s" + _NUMBER + r")?\s*(?:°[CF]|psi|bar)\)$")
_BETWEEN_OPTIONS = re.compile(r",(?!\d)|(?<!\d),")
FACTOR_FORM = "cure_temp=110..140,sd=4,trial=2,step=1   or   film_type=hot/cold   or just   dwell"


Confirm = Callable[[str], bool]
"""Asks a person a question of yes or no; None where nobody can be asked."""


@dataclass(frozen=True)
class Asking(Shown):
    """The units of a person, and how to ask whether a value was meant as it is read."""

    confirm: Confirm | None = None


def quantity(text: str, stored: str, where: str, shown: Shown) -> float:
    """Stored value of a typed quantity; a bare number is in the user's unit.

    A bare number that looks like Fahrenheit is refused, saying what it would be; at a terminal it is asked about. What
    is printed is read again: a second value in brackets is the same in the other unit.
    """
    text = _OTHER_UNIT.sub("", text.strip())
    if _THOUSANDS.match(text):
        remedy = "Write it without a comma, or the decimals after a point."
        raise InputError(where, repr(text), "a number that can be read in one way", remedy)
    try:
        value = parse_quantity(text, stored, where, default=shown.unit(stored))
    except InputError:
        fahrenheit = _bare_fahrenheit(text, stored, shown)
        confirm = shown.confirm if isinstance(shown, Asking) else None
        if fahrenheit is None or confirm is None:
            raise
        print(file=sys.stderr)
        value = to_stored(fahrenheit, "degF")
        if not confirm(f"{where}: did you mean {fahrenheit:g} °F = {value:.4g} °C?"):
            raise
    bounds = value_bounds(stored)
    if stored in ("degC", "bar") and not bounds[0] <= value <= bounds[1]:  # they are read in units of the reader
        allowed = " to ".join(show_both(bound, stored, shown) for bound in bounds)
        raise InputError(where, repr(text), allowed, "Correct the number.")
    return value


def as_set(text: str, stored: str, where: str, shown: Shown) -> float:
    """What somebody says a machine is set to: a bare number is in the user's unit however high it is.

    A plan refuses what may be Fahrenheit; a machine that may really be so hot has to be stopped first.

    >>> as_set("210", "degC", "press temperature", Shown()), round(as_set("410F", "degC", "", Shown()), 1)
    (210.0, 210.0)
    """
    bare = _bare_fahrenheit(text, stored, shown)
    return quantity(text if bare is None else f"{text} degC", stored, where, shown)


def _bare_fahrenheit(text: str, stored: str, shown: Shown) -> float | None:
    if stored != "degC" or shown.temperature != "degC":
        return None
    with suppress(InputError):
        value = parse_number(text, "")
        return value if looks_like_fahrenheit(value) else None
    return None


def spread(text: str, stored: str, where: str, shown: Shown) -> float:
    """Stored size of a *difference*, such as a setting error: 9 degF of difference is 5 degC."""
    bare = text.strip().lower().removesuffix("°f").removesuffix("degf").removesuffix("f")
    if stored == "degC" and (bare != text.strip().lower() or shown.temperature == "degF"):
        plain_text = bare.removesuffix("°c").removesuffix("degc").removesuffix("c")
        value = parse_number(plain_text, where)
        return value if plain_text != bare else value / delta_degf(1)
    return parse_quantity(text, stored, where, default=shown.unit(stored))


def is_bare_day(text: str) -> bool:
    """Whether a moment is typed without its time."""
    return len(text.strip()) <= len("2031-03-05")


def moment(text: str, where: str) -> datetime:
    """A past day, or a day and time, on the reader's clock; a bare day is its noon.

    Raises
    ------
    InputError
        If it is neither, or still to come.
    """
    is_day = is_bare_day(text)
    now = datetime.now(UTC)
    try:
        when = datetime.fromisoformat(text.strip())
        when = (when.replace(hour=12) if is_day else when).astimezone(UTC)  # a bare time is the reader's own
    except (OverflowError, OSError, ValueError) as error:
        raise InputError(
            where, repr(text), "a day, or a day and time", "Write it like 2031-03-05 or 2031-03-05T14:30."
        ) from error
    if is_day and when - now < timedelta(hours=12):
        when = min(when, now)  # the noon of today may be to come
    if when > now:
        raise InputError(where, repr(text), "today or earlier", "Correct the date.")
    return when


def beginning(text: str, where: str) -> datetime:
    """A past day, or a day and time, from which on something holds; a bare day from its first minute on.

    Raises
    ------
    InputError
        As `moment` does.
    """
    when = moment(text, where)
    return datetime.fromisoformat(text.strip()).astimezone(UTC) if is_bare_day(text) else when


_NAMED = ("supplier", "lot", "detail")


def material(text: str, part: str, shown: Shown = METRIC, *, place: str = "") -> Material:
    """Material of ``name; supplier=Halm; lot=A12; kind=cotton``; what stands after the name in any order.

    ``part`` says which facts it may have (`doe.domain.materials.FACTS`), ``place`` where it was typed.
    """
    where = place or f"--{part}"
    name, *parts = text.split(";")
    form = 'Write it like "blank tee; supplier=Halm; lot=A12".'
    if not name.strip():
        raise InputError(where, repr(text), "the name on the packet", form)
    values: dict[str, str] = {}
    facts: dict[str, float | str | bool] = {}
    said: set[str] = set()
    for one in parts:
        key, equals, value = _parted(one, "=")
        key = key.lower()
        if not equals or key not in (*_NAMED, *FACTS[part]):
            raise InputError(where, repr(one.strip()), f"{'=, '.join((*_NAMED, *FACTS[part]))}=", form)
        if key in said:
            raise InputError(f"{where}, {key}", "two values", "one", "Keep the right one.")
        said.add(key)
        if key in _NAMED:
            values[key] = value
        elif value:
            facts |= material_fact(part, key, value, shown, where)
    return Material(name.strip(), **values, facts=with_what_follows(part, facts) or None)


def material_asked(text: str, part: str, names: Collection[str], shown: Shown = METRIC) -> Material:
    """A material as it is looked for: as for a stack, or by facts alone, ``kind=cotton; weight=heavy``.

    A name that is none of ``names``, those that could be found, is read by the words in it that tell facts.
    """
    name, *parts = (piece.strip() for piece in text.split(";"))
    words_of = {fact: known for fact, known in CLASS_WORDS.items() if fact in FACTS[part]}
    asked: dict[str, float | str | bool] = {}
    pieces: list[str] = []
    if "=" in name:
        name, parts = ANY, [name, *parts]
    elif name and squeeze(name) not in map(squeeze, names) and (by_words := told_by(part, name)):
        name, asked = ANY, by_words
    for piece in parts:
        key, _, value = _parted(piece, "=")
        known = words_of.get(key.lower(), {})
        found = meant(value, known, by_part=False)
        if found:
            asked[f"{key.lower()}_class"] = found[0]
        else:
            pieces.append(piece)
    made = material("; ".join([name, *pieces]), part, shown)
    made = replace(made, facts={**asked, **(made.facts or {})} or None)
    if name == ANY and not facts_of_make(made):
        remedy = "How one packet is kept, opened or stirred is of no recipe."
        raise InputError(f"--{part}", repr(text), "a name, or facts that hold for every packet", remedy)
    return made


def material_fact(part: str, name: str, text: str, shown: Shown, place: str) -> dict[str, float | str | bool]:
    """One fact of a material as it is kept: a span as its two ends, a quantity in its stored unit."""
    fact, where = FACTS[part][name], f"{place}, {name}"
    if fact.form == "yes":
        return {name: yes_no(text, where)}
    if fact.form == "word":
        return {name: name_of(text, {one: fact.means.get(one, ()) for one in fact.choices}, where)}
    if fact.form == "day":
        return {name: moment(text, where).date().isoformat()}
    if fact.form == "text":
        return {name: text.strip()}
    unit = "" if fact.unit not in STORED_UNITS else fact.unit
    plain_text = text if unit else _GRAIN.sub("", text)
    if fact.form == "amount":
        return {name: _believed(quantity(text, unit, where, shown), fact, text, where, shown)}
    low, high = (_believed(end, fact, text, where, shown) for end in span_of(plain_text, unit, where, shown))
    if low >= high:
        raise InputError(where, repr(text), "a low and a high end", "Write the lower one first.")
    return {f"{name}_low": low, f"{name}_high": high}


def _believed(value: float, fact: MaterialFact, text: str, where: str, shown: Shown) -> float:
    """A number of a data sheet, within what is believed of it."""
    if fact.bounds is None or fact.bounds[0] <= value <= fact.bounds[1]:
        return value
    low, high = fact.bounds
    is_known = fact.unit in STORED_UNITS
    allowed = (
        " to ".join(show_both(end, fact.unit, shown) for end in (low, high))
        if is_known
        else f"{low:g} to {high:g} {fact.unit}"
    )
    raise InputError(where, repr(text), allowed, "Read the data sheet again, and its unit.")


_GRAIN = re.compile(r"\s*(um|µm|μm|microns?)\b", re.IGNORECASE)
"""What is written for a thousandth of a millimetre: µm with either sign."""


@contextmanager
def said_in(place: str, text: str) -> Iterator[None]:
    """An error about what was typed names where it was typed, and what, and no field it was meant for."""
    try:
        yield
    except InputErrors:
        raise
    except InputError as error:
        if error.where.startswith(place):
            raise
        raise InputError(place, repr(text), error.allowed, error.remedy) from error


def name_of(text: str, names: Mapping[str, Iterable[str]], where: str) -> str:
    """The one of some names, each with other words for it, that a text means: in any case, or by a part of its own.

    Raises
    ------
    InputError
        If it is none of them, or may be several, which are named.
    """
    found = meant(text, names)
    if len(found) == 1:
        return found[0]
    close = found or get_close_matches(text.casefold(), names, n=3) or list(names)
    remedy = "Several fit: write more of the name." if found else "Choose one of these."
    raise InputError(where, repr(text), ", ".join(close), remedy)


USUAL_SETTINGS: Mapping[str, tuple[str]] = {name: (known.label,) for name, known in KNOWN_FACTORS.items()}
"""The settings the trade knows, each with its label."""


def setting(text: str, factors: Iterable[Factor], where: str) -> str:
    """Name of the factor that is meant, by name or label."""
    return name_of(text, {f.name: (f.label,) for f in factors}, where)


def factor(text: str, shown: Shown, place: str = "--factor") -> Factor:
    """Factor of ``cure_temp=110..140,sd=4,step=1``, ``film_type=hot/cold``, or a known name alone.

    A known name, in any case and by its label too, brings what is not said: unit, scale, step, setting error, and the
    usual range. One of one's own needs a unit, which may stand behind its range.
    """
    head, *more = [part.strip() for part in _BETWEEN_OPTIONS.split(text)]
    endured = True if EVERY_LEVEL in map(str.casefold, more) else None
    more = [part for part in more if part.casefold() != EVERY_LEVEL]
    called, equals, span = _parted(head, "=")
    name = next(iter(meant(called, USUAL_SETTINGS, by_part=False)), "_".join(words(called)) or called)
    where = f"{place} {name}".strip()
    options = pairs(more, where, FACTOR_FORM, allowed=", ".join(f"{key}=" for key in _OPTIONS))
    options = {key.casefold(): value for key, value in options.items()}
    unknown = next((key for key in options if key not in _OPTIONS), None)
    if unknown is not None:
        allowed = f"{', '.join(_OPTIONS[:-1])} or {_OPTIONS[-1]}"
        raise InputError(where, repr(unknown), allowed, f"Write it like {FACTOR_FORM}.")
    known = KNOWN_FACTORS.get(name)
    changes: dict[str, Any] = {key: options[key] for key in ("scale", "stage", "label") if key in options}
    if "slow" in options:
        changes["hard_to_change"] = yes_no(options["slow"], f"{where}, slow")
    ends = _SPAN.fullmatch(span)
    if ends is None and "/" in span:
        with said_in(where, span):
            return Factor(name, levels=tuple(level.strip() for level in span.split("/")), endured=endured, **changes)
    if endured:
        raise InputError(where, EVERY_LEVEL, "a list of levels before it", "Write it like platen=left/right,every.")
    unit = known.unit if known else _own_unit(options.get("unit") or (ends[4] or ends[2] if ends else ""), where)
    if known is None and not unit:
        close = get_close_matches(name, KNOWN_FACTORS, n=3)
        raise InputError(
            where,
            repr(text),
            f"a known factor ({', '.join(close or KNOWN_FACTORS)}), or your own with its unit",
            f"Write it like {FACTOR_FORM}; for one of your own add unit={', '.join(STORED_UNITS[:-1])}.",
        )
    changes["unit"] = options.get("unit", unit) if known else unit
    if equals:
        changes["low"], changes["high"] = span_of(span, unit, where, shown)
    for key, option in (("setting_sd", "sd"), ("trial_sd", "trial"), ("step", "step")):
        if option in options:
            changes[key] = spread(options[option], unit, f"{where}, {option}", shown)
    if "heated" in options:
        changes["heated_mm"] = heated_length(options["heated"], f"{where}, heated")
    if "step" not in changes and unit != shown.unit(unit) and (known is None or known.unit == unit):
        # a dial marked in degF or psi is set in whole ones of those, not in whole ones of what is stored
        changes["step"] = to_stored(1, shown.unit(unit)) - to_stored(0, shown.unit(unit))
    if known is None and called != name:
        changes.setdefault("label", called)
    with said_in(where, ",".join([span, *more])):
        return usual_factor(name, **changes) if known else Factor(name, **changes)


def heated_length(text: str, where: str = "heated length") -> float:
    """Length of a belt in the heat, in mm; a bare number is in metres."""
    return parse_quantity(text, "mm", where, default="m")


def _own_unit(text: str, where: str) -> str:
    """Stored unit of one that was typed; "" where none was."""
    unit = unit_spelled(text)
    if text and unit is None:
        raise InputError(f"{where}, unit", repr(text), ", ".join(STORED_UNITS[:-1]), "Correct the unit.")
    return stored_unit(unit or "")


def _parted(text: str, mark: str) -> tuple[str, str, str]:
    before, found, after = text.partition(mark)
    return before.strip(), found, after.strip()


def pairs(texts: Iterable[str], where: str, example: str, *, allowed: str = "name=value") -> dict[str, str]:
    """Values by name, of texts such as ``ana=3.5``.

    Raises
    ------
    InputError
        If one is no pair, or a name comes twice.
    """
    made: dict[str, str] = {}
    for text in texts:
        name, equals, value = _parted(text, "=")
        if not equals or not name:
            raise InputError(where, repr(text), allowed, f"Write it like {example}.")
        if name in made:
            raise InputError(f"{where}, {name}", "two values", "one", "Keep the right one.")
        made[name] = value
    return made


def span_of(text: str, unit: str, where: str, shown: Shown) -> tuple[float, float]:
    """Both ends of a range such as ``110..140``, ``110 - 140``, ``230 to 284 F``; a unit at one end is that of both."""
    ends = _SPAN.fullmatch(_OTHER_UNIT.sub("", text.strip()))
    if ends is None:
        raise InputError(where, repr(text), "a low and a high end", "Write the range like 110..140.")
    low, low_unit, high, high_unit = (part.strip() for part in ends.groups())
    return (
        quantity(f"{low} {low_unit or high_unit}", unit, f"{where}, low", shown),
        quantity(f"{high} {high_unit or low_unit}", unit, f"{where}, high", shown),
    )


_YES, _NO = ("yes", "y", "true", "1"), ("no", "n", "false", "0")


def yes_no(text: str, where: str) -> bool:
    """True or False of yes or no."""
    if text.lower() not in (*_YES, *_NO):
        raise InputError(where, repr(text), "yes or no", "Correct the word.")
    return text.lower() in _YES


def share(text: str, where: str) -> float:
    """Share of ``0.95``, ``95%`` or ``95``.

    Raises
    ------
    InputError
        If it is no number, or one that may be meant either way: 1, 1.5, 0.9%.
    """
    said_percent = text.strip().endswith("%")
    value = parse_number(text.strip().removesuffix("%"), where)
    if (0 < value < 1) if said_percent else (1 <= value < 2):
        remedy = "Write 90 % as 90 % or as 0.9."
        raise InputError(where, repr(text), "a share that can be read in one way", remedy)
    return value / 100 if said_percent or value >= 2 else value


def check(text: str) -> Check:
    """Check of ``release`` (a usual one), ``wash_3@3=sound after 3 washes``, or ``look@24h=no dye in the print``."""
    head, _, label = _parted(text, "=")
    name, at, washes = _parted(head, "@")
    usual = {c.name: c for c in DEFAULT_CHECKS}
    alike = meant(name, dict.fromkeys(usual, ()), by_part=False)
    if alike and not at and not label:
        return usual[alike[0]]
    if not name.isidentifier():
        raise InputError(
            "--check",
            repr(name),
            "a short name of letters, digits and _",
            'Write it like "wash_3@3=sound after 3 washes".',
        )
    if at and washes.lower().endswith("h"):
        hours = parse_number(washes[:-1], "--check, hours")
        return Check(name, label or name.replace("_", " "), after_hours=hours)
    count = parse_number(washes, "--check, washes") if at else 0
    if count < 0 or count != int(count):
        raise InputError("--check, washes", washes, "a whole number", "Say after how many washes it is looked at.")
    return Check(name, label or name.replace("_", " "), int(count))


def spec(
    pass_rate: str | None, hand_min: str | None, assurance: str | None, checks: Sequence[str], base: Spec | None = None
) -> Spec:
    """The target, from what was typed; what was not is usual."""
    made = base or Spec()
    if pass_rate is not None:
        with said_in("--pass-rate", pass_rate):
            made = replace(made, pass_rate=share(pass_rate, "--pass-rate"))
    if hand_min is not None:
        is_none = hand_min.lower() in ("none", "no")
        with said_in("--hand-min", hand_min):
            made = replace(made, hand_min=None if is_none else parse_number(hand_min, "--hand-min"))
    if assurance is not None:
        with said_in("--assurance", assurance):
            made = replace(made, assurance=share(assurance, "--assurance"))
    if checks:
        with said_in("--check", ", ".join(checks)):
            made = replace(made, checks=tuple(check(text) for text in checks))
    return made


def held(texts: Sequence[str], shown: Shown, option: str = "--hold") -> dict[str, float | str]:
    """Settings that do not vary, of ``pressure=40psi`` or ``mesh=fine``; a known name is read with its unit."""
    made: dict[str, float | str] = {}
    for called, value in pairs(texts, option, "pressure=40psi").items():
        if not value:
            raise InputError(option, repr(f"{called}="), "name=value", "Write it like pressure=40psi.")
        name = next(iter(meant(called, USUAL_SETTINGS, by_part=False)), called)
        known = KNOWN_FACTORS.get(name)
        is_number = known is not None and known.unit
        made[name] = quantity(value, known.unit, f"{option} {name}", shown) if known and is_number else value
    return made


def forbidden(texts: Sequence[str], factors: Sequence[Factor], shown: Shown) -> tuple[Forbidden, ...]:
    """Combinations not to make, of ``cure_temp >= 135 and cure_time >= 180; film curls``."""
    made = []
    for text in texts:
        rule, _, reason = _parted(text, ";")
        with said_in("--forbid", text):
            made.append(Forbidden.parse(rule, factors, reason, shown))
    return tuple(made)


def limits(texts: Sequence[str], base: Limits | None, shown: Shown) -> Limits:
    """Limits of ``film_max=175@film data sheet``, added to those already known."""
    made = base or Limits()
    form = '"film_max=175@film data sheet 2031"'
    allowed = f"one of {', '.join(LIMIT_NAMES)}, and a value"
    for name, rest in pairs(texts, "--limit", form, allowed=allowed).items():
        field = LIMIT_NAMES.get(next(iter(meant(name, dict.fromkeys(LIMIT_NAMES, ()), by_part=False)), name))
        if field is None:
            raise InputError("--limit", repr(name), allowed, f"Write it like {form}.")
        value, at, source = _parted(rest, "@")
        # a new number does not inherit where the old one came from
        sources = {known: said for known, said in made.sources.items() if known != field}
        changes: dict[str, Any] = {field: ceiling_or(value, _limit_unit(field), f"--limit {name}", shown)}
        with said_in(f"--limit {name}", rest):
            made = replace(made, **changes, sources={**sources, field: source} if at else sources)
    return made


def _limit_unit(field: str) -> str:
    return "degC" if field.endswith("_degc") else "s" if field.endswith("_s") else "bar"


def ceiling_or(text: str, unit: str, where: str, shown: Shown) -> float:
    """A limit; a bare 200 in degC is taken, since data sheets say so, though nothing there is ever proposed."""
    if unit == "degC" and shown.temperature == "degC" and text.strip() in ("200", "200.0"):
        return 200.0
    return quantity(text, unit, where, shown)


def exact(value: float, unit: str) -> str:
    """Stored value as an option that is read back as the same number, whatever the user's units."""
    suffix = {"degC": "C", "bar": "bar"}.get(unit, "")
    return f"{float(value)!r}{suffix}"


def limit_option(name: str, value: float, source: str) -> str:
    """Text of ``--limit`` for a limit in its stored unit."""
    field = LIMIT_NAMES[name]
    return f"{name}={exact(value, _limit_unit(field))}" + (f"@{source}" if source else "")


def limit_text(field: str, value: float, shown: Shown) -> str:
    """A limit with its unit, temperatures in both."""
    return show_both(value, _limit_unit(field), shown)
