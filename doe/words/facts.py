"""Facts become sentences: one table of texts a subject, one way to use it."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from importlib.resources import files
from string import Formatter
from typing import Any

from doe.domain.factors import KNOWN_FACTORS
from doe.domain.finding import Finding
from doe.domain.study import Study
from doe.domain.texts import quoted
from doe.domain.units import METRIC, Shown
from doe.words.dates import day
from doe.words.wording import allowed, count, count_only, degrees_apart, listing, percent, stated

Text = str | Callable[..., str]
"""A sentence with the names of its values in braces, or a function of `Reader` and the values by name."""


@dataclass(frozen=True)
class Reader:
    """Who reads: the units wanted, and what the factors are called."""

    shown: Shown = METRIC
    labels: Mapping[str, str] = field(default_factory=dict)

    def label(self, factor: str) -> str:
        """Name of a factor in people's words."""
        known = KNOWN_FACTORS.get(factor)
        return self.labels.get(factor) or (known.label if known else factor.replace("_", " "))


def reader_of(study: Study, shown: Shown = METRIC) -> Reader:
    """Reader of what is said about a study."""
    return Reader(shown, {f.name: f.label for f in study.factors})


def worded(fact: Finding | str, texts: Mapping[str, Text], reader: Reader) -> str:
    """Sentence of a fact; a text kept before there were facts is said as it is."""
    if isinstance(fact, str):
        return fact
    text = texts[fact.code]
    return filled(text, reader, **fact.values) if isinstance(text, str) else text(reader, **fact.values)


def all_worded(facts: Iterable[Finding | str], texts: Mapping[str, Text], reader: Reader) -> tuple[str, ...]:
    """`worded` for several."""
    return tuple(worded(fact, texts, reader) for fact in facts)


@cache
def texts_of(subject: str) -> Mapping[str, str]:
    """The texts of a subject by their codes, as they stand in ``templates/``."""
    return tomllib.loads(files("doe.templates").joinpath(f"{subject}.toml").read_text(encoding="utf-8"))


MOST_NAMED = 6
"""Names that a list of some of them holds."""

FORMATS: Mapping[str, Callable[[Reader, Any], str]] = {
    "and": lambda reader, names: listing(names),
    "label": lambda reader, factor: reader.label(factor),
    "labels": lambda reader, factors: listing([*map(reader.label, factors)]),
    "attempts": lambda reader, verdicts: listing(
        [f"confirmation {i} was {v}" for i, v in enumerate(verdicts, start=1)]
    ),
    "some": lambda reader, names: listing(names[:MOST_NAMED]) + (" ..." if len(names) > MOST_NAMED else ""),
    "sources": lambda reader, names: "".join(f' --limit "{name}=VALUE@SOURCE"' for name in names),
    "quoted": lambda reader, name: quoted(name),
    "stated": lambda reader, share: stated(share),
    "percent": lambda reader, share: percent(share),
    "percent1": lambda reader, share: percent(share, 1),
    "allowed": lambda reader, failures: allowed(failures),
    "difference": lambda reader, delta_degc: degrees_apart(delta_degc, reader.shown),
    "day": lambda reader, moment: day(datetime.fromisoformat(moment)),
}
"""How a value reads, by what stands behind its colon; a whole number may have its noun there, or ``-`` and a verb."""


class _Filler(Formatter):
    def __init__(self, reader: Reader) -> None:
        self.reader = reader

    def format_field(self, value: Any, format_spec: str) -> str:
        if format_spec in FORMATS:
            return FORMATS[format_spec](self.reader, value)
        if isinstance(value, int) and len(format_spec) > 2 and "." not in format_spec:
            say = count_only if format_spec[0] == "-" else count
            return say(value, *format_spec.removeprefix("-").split("/"))
        return str(super().format_field(value, format_spec))


def filled(text: str, reader: Reader = Reader(), **values: object) -> str:
    """A text with its values.

    >>> filled("{n:coupon} {n:-waits/wait}, {m:new entry/new entries}, {p:stated}", n=1, m=3, p=0.975)
    '1 coupon waits, 3 new entries, 97.5 %'
    """
    return _Filler(reader).format(text, **values)
