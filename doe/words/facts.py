"""Facts become sentences: one table of texts a subject, one way to use it."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from string import Formatter
from typing import Any

from doe.domain.factors import KNOWN_FACTORS
from doe.domain.finding import Finding
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown, show_difference
from doe.words.wording import count, listing, sentence, verb

Text = str | Callable[..., str]
"""A sentence with its values in braces (see `filled`), or a function of `Reader` and the values by name."""


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


class _Filled(Formatter):
    """Fills the braces of a sentence as a reader wants it."""

    def __init__(self, reader: Reader) -> None:
        self.reader = reader

    def format_field(self, value: Any, format_spec: str) -> str:
        """A value as its specification says; see `filled`."""
        kind, _, words = format_spec.partition(" ")
        several = (value,) if isinstance(value, str) else value
        ways: dict[str, Callable[[], str]] = {
            "label": lambda: listing([self.reader.label(name) for name in several], words or "and"),
            "Label": lambda: sentence(listing([self.reader.label(name) for name in several])).rstrip("."),
            "list": lambda: listing(several, words or "and"),
            "person": lambda: value or "one person",
            "count": lambda: count(value, *words.split("|")),
            "verb": lambda: verb(value if isinstance(value, int) else len(value), *words.split("|")),
            "points": lambda: f"{100 * abs(value or 0.0):.0f}",
            "delta": lambda: show_difference(value, self.reader.shown, decimals=None),
        }
        return ways[kind]() if kind in ways else str(super().format_field(value, format_spec))


def filled(text: str, values: Mapping[str, Any], reader: Reader) -> str:
    """A sentence with its values filled in.

    Beside what `str.format` knows, a brace may ask for ``label`` (names of factors as a reader calls them; ``Label``
    with a capital, ``label or`` with another last word), ``list``, ``person``, ``count coupon`` (a number with its
    noun), ``verb was|were`` (the word that agrees with a number, or with how many), ``points`` (of 100) and ``delta``
    (a difference of temperatures).

    >>> filled("{n:count coupon} {n:verb was|were} lost", {"n": 2}, Reader())
    '2 coupons were lost'
    """
    return _Filled(reader).vformat(text, (), values)


def worded(fact: Finding | str, texts: Mapping[str, Text], reader: Reader) -> str:
    """Sentence of a fact; a text kept before there were facts is said as it is."""
    if isinstance(fact, str):
        return fact
    text = texts[fact.code]
    return filled(text, fact.values, reader) if isinstance(text, str) else text(reader, **fact.values)


def all_worded(facts: Iterable[Finding | str], texts: Mapping[str, Text], reader: Reader) -> tuple[str, ...]:
    """`worded` for several."""
    return tuple(worded(fact, texts, reader) for fact in facts)


@cache
def texts_of(subject: str) -> Mapping[str, str]:
    """The texts of a subject by their codes, as they stand in ``templates/``."""
    return tomllib.loads(files("doe.templates").joinpath(f"{subject}.toml").read_text(encoding="utf-8"))
