"""Facts become sentences: one table of texts a subject, one way to use it."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files

from doe.domain.factors import KNOWN_FACTORS
from doe.domain.finding import Finding
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.words.filling import filled

Text = str | Callable[..., str]
"""A sentence with its values in braces (`doe.words.filling`), or a function of `Reader` and the values by name."""


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
    if isinstance(text, str):
        return filled(text, fact.values, reader.shown, reader.label)
    return text(reader, **fact.values)


def all_worded(facts: Iterable[Finding | str], texts: Mapping[str, Text], reader: Reader) -> tuple[str, ...]:
    """`worded` for several."""
    return tuple(worded(fact, texts, reader) for fact in facts)


@cache
def texts_of(subject: str) -> Mapping[str, str]:
    """The texts of a subject by their codes, as they stand in ``templates/``."""
    return tomllib.loads(files("doe.templates").joinpath(f"{subject}.toml").read_text(encoding="utf-8"))
