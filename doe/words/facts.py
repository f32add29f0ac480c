"""Facts become sentences: one table of texts a subject, one way to use it."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from string import Formatter
from typing import Any

from doe.domain.factors import KNOWN_FACTORS
from doe.domain.finding import Finding
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.words.dates import day_and_time
from doe.words.wording import count, listing

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
    return text.format(**fact.values) if isinstance(text, str) else text(reader, **fact.values)


def all_worded(facts: Iterable[Finding | str], texts: Mapping[str, Text], reader: Reader) -> tuple[str, ...]:
    """`worded` for several."""
    return tuple(worded(fact, texts, reader) for fact in facts)


@cache
def texts_of(subject: str) -> Mapping[str, str]:
    """The texts of a subject by their codes, as they stand in ``templates/``."""
    return tomllib.loads(files("doe.templates").joinpath(f"{subject}.toml").read_text(encoding="utf-8"))


class _Told(Formatter):
    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, datetime):
            return day_and_time(value, datetime.now(UTC))
        if isinstance(value, list | tuple):
            return listing(value)
        if isinstance(value, int) and len(format_spec) > 2:
            return count(value, *format_spec.split("/"))
        return str(super().format_field(value, format_spec))


def filled(text: str, /, **values: object) -> str:
    """A text with its values: moments as they read today, several joined; the format of a number may be its noun.

    >>> filled("{n:coupon}, {m:new entry/new entries} by {who}", n=1, m=3, who=["Ana", "Ben"])
    '1 coupon, 3 new entries by Ana and Ben'
    """
    return _Told().format(text, **values)
