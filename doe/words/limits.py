"""Limits of data sheets in words, and what is unusual about tested ranges."""

from __future__ import annotations

from doe.domain.factors import KNOWN_FACTORS
from doe.domain.limits import unusual_ranges
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.words.facts import Reader, Text, all_worded, reader_of, texts_of
from doe.words.wording import range_both

LIMIT_LABELS = texts_of("said_of_limits", "labels")
"""What each field of `doe.domain.limits.Limits` is asked for as."""


def range_warnings(study: Study, shown: Shown = METRIC, *, dyed_polyester: bool = False) -> tuple[str, ...]:
    """What is unusual about the ranges of a study, each with its reason."""
    return all_worded(unusual_ranges(study.factors, dyed_polyester=dyed_polyester), _RANGES, reader_of(study, shown))


def _outside(reader: Reader, *, factor: str) -> str:
    f, known = reader.factors[factor], KNOWN_FACTORS[factor]
    tested = range_both(f, f.low, f.high, reader.shown)
    usual = range_both(f, *known.typical, reader.shown)
    return f"{f.label}: {tested} reaches outside the usual {usual}. {known.source}."


_RANGES: dict[str, Text] = {**texts_of("said_of_limits", "ranges"), "outside the usual": _outside}
"""`doe.domain.limits.RangeCode`."""
