"""Facts become sentences: one table of texts a subject, one way to use it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from string import Formatter
from typing import Any

from doe.domain.errors import quoted
from doe.domain.factors import KNOWN_FACTORS, Factor
from doe.domain.finding import Finding
from doe.domain.jsonable import packaged_table
from doe.domain.study import Study
from doe.domain.units import METRIC, SYMBOLS, Shown, fixed, rounded, show, show_both, show_difference
from doe.words.wording import (
    allowed,
    at_least_of_hundred,
    count,
    day,
    day_and_time,
    degrees_apart,
    listing,
    out_of_hundred,
    percent,
    sentence,
    stated,
    verb,
)

Text = str | Callable[..., str]
"""A sentence with its values in braces (`filled`), or a function of `Reader` and the values by name."""


@dataclass(frozen=True)
class Reader:
    """Who reads: the units wanted, and the factors of the study it is about, by name, or only what they are called."""

    shown: Shown = METRIC
    factors: Mapping[str, Factor] = field(default_factory=dict)
    labels: Mapping[str, str] = field(default_factory=dict)

    def label(self, factor: str) -> str:
        """Name of a factor in people's words."""
        known = self.factors.get(factor) or KNOWN_FACTORS.get(factor)
        return self.labels.get(factor) or (known.label if known else factor.replace("_", " "))


def reader_of(study: Study, shown: Shown = METRIC) -> Reader:
    """Reader of what is said about a study."""
    return Reader(shown, {f.name: f for f in study.factors})


def worded(fact: Finding | str, texts: Mapping[str, Text], reader: Reader) -> str:
    """Sentence of a fact; a text kept before there were facts is said as it is."""
    if isinstance(fact, str):
        return fact
    text = texts[fact.code]
    return filled(text, reader, **fact.values) if isinstance(text, str) else text(reader, **fact.values)


def all_worded(facts: Iterable[Finding | str], texts: Mapping[str, Text], reader: Reader) -> tuple[str, ...]:
    """`worded` for several."""
    return tuple(worded(fact, texts, reader) for fact in facts)


def texts_of(subject: str, part: str = "") -> Mapping[str, str]:
    """The texts of a subject, or of a part of it, by their codes, as they stand in ``templates/tables``."""
    table: Mapping[str, Any] = packaged_table(subject)
    return table[part] if part else table


class _Filler(Formatter):
    """Fills the braces of a sentence as a reader wants it; see `filled`."""

    def __init__(self, reader: Reader) -> None:
        self.reader = reader

    def format_field(self, value: Any, format_spec: str) -> str:
        how, _, more = format_spec.partition(" ")
        if how in READINGS:
            return READINGS[how](self.reader, value, more)
        if not format_spec and isinstance(value, datetime):
            return day_and_time(value, datetime.now(UTC))
        if not format_spec and isinstance(value, list | tuple):
            return listing(value)
        if _NOUN.fullmatch(format_spec):
            return count(int(rounded(value)), *format_spec.split("/"))
        return str(super().format_field(value, format_spec))


def filled(text: str, reader: Reader = Reader(), /, **values: object) -> str:
    """A text with its values; what stands behind a colon says how one is read.

    ``{n:coupon}`` is a number with its noun (``{n:box/boxes}``), ``{n:verb lies/lie}`` the form that goes with it, or
    with how many there are; `READINGS` are the others. A moment alone reads as it does today, several values as a list;
    anything else is a format of Python's own.

    >>> filled("{n:coupon} {n:verb waits/wait}, {m:new entry/new entries}, {who}", n=1, m=3, who=["Ana", "Ben"])
    '1 coupon waits, 3 new entries, Ana and Ben'
    """
    return _Filler(reader).vformat(text, (), values)


MOST_NAMED = 6
"""Names that a list of some of them holds."""

_NOUN = re.compile(r"[a-z][a-z -]+(/[a-z][a-z -]+)?")


def _number(value: Any) -> float:
    return value if isinstance(value, int | float) else len(value)


def _several(value: Any) -> Sequence[str]:
    return (value,) if isinstance(value, str) else value


READINGS: Mapping[str, Callable[[Reader, Any, str], str]] = {
    "verb": lambda _, value, forms: verb(int(_number(value)), *forms.split("/")),
    # names: of factors as people call them, of anything (with another last word than "and"), some of many
    "label": lambda reader, names, last: listing([*map(reader.label, _several(names))], last or "and"),
    "Label": lambda reader, names, _: sentence(listing([*map(reader.label, _several(names))])).rstrip("."),
    "list": lambda _, names, last: listing(_several(names), last or "and"),
    "some": lambda _, names, __: listing(names[:MOST_NAMED]) + (" ..." if len(names) > MOST_NAMED else ""),
    "checks": lambda _, names, __: listing([name.replace("_", " ") for name in names]),
    "semicolons": lambda _, names, __: "; ".join(names),
    "commas": lambda _, names, __: ", ".join(map(str, names)),
    "somebody": lambda _, name, __: name or "one person",
    "quoted": lambda _, name, __: quoted(name),
    "attempts": lambda _, verdicts, __: listing([f"confirmation {i} was {v}" for i, v in enumerate(verdicts, start=1)]),
    "sources": lambda _, names, __: "".join(f' --limit "{name}=VALUE@SOURCE"' for name in names),
    # shares
    "of": lambda _, share, hundred: f"{out_of_hundred(share)} of {hundred}",
    "least": lambda _, share, hundred: f"{at_least_of_hundred(share)} {hundred}",
    "points": lambda _, share, __: fixed(100 * abs(share or 0.0)),
    "stated": lambda _, share, __: stated(share),
    "percent": lambda _, share, decimals: percent(share, int(decimals or 0)),
    "allowed": lambda _, failures, __: allowed(failures),
    # temperatures and other quantities: both units, the reader's; a difference, a whole one, without its sign
    "both": lambda reader, value, unit: show_both(value, unit or "degC", reader.shown),
    "show": lambda reader, value, unit: show(value, unit, reader.shown),
    "apart": lambda reader, delta, decimals: show_difference(delta, reader.shown, decimals=int(decimals or 1)),
    "size": lambda reader, delta, decimals: show_difference(abs(delta), reader.shown, decimals=int(decimals or 1)),
    "deltas": lambda reader, deltas, _: ", ".join(fixed(reader.shown.delta(d, "degC"), 1, "+") for d in deltas),
    "delta": lambda reader, delta, _: show_difference(delta, reader.shown, decimals=None),
    "difference": lambda reader, delta, _: degrees_apart(delta, reader.shown),
    "degrees": lambda reader, delta, _: (
        f"{fixed(abs(reader.shown.delta(delta, 'degC')))} {SYMBOLS[reader.shown.temperature]}"
    ),
    # words that a value chooses
    "sign": lambda _, number, words: words.split("/")[number >= 0],
    "either": lambda _, value, words: words.split("/")[not value],
    "word": lambda _, code, place: texts_of(*place.split())[code],
    "if": lambda _, value, more: more.removeprefix(value) if more.startswith(value) else "",
    "day": lambda _, moment, __: day(datetime.fromisoformat(moment)),
}
"""How a value reads, by what stands behind its colon, with what follows after a space."""
