"""Limits of data sheets in words, and what is unusual about tested ranges."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from doe.domain.factors import KNOWN_FACTORS
from doe.domain.limits import unusual_ranges, unusual_settings
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown, show_both
from doe.words.facts import Reader, Text, all_worded, reader_of, texts_of
from doe.words.wording import range_both

if TYPE_CHECKING:  # listing studies waits for no frames
    import pandas as pd

LIMIT_LABELS = texts_of("said_of_limits", "labels")
"""What each field of `doe.domain.limits.Limits` is asked for as."""


def range_warnings(study: Study, shown: Shown = METRIC, *, dyed_polyester: bool = False) -> tuple[str, ...]:
    """What is unusual about the ranges and the held settings of a study, each with its reason."""
    ranges = unusual_ranges(study.factors, dyed_polyester=dyed_polyester)
    return (*all_worded(ranges, _RANGES, reader_of(study, shown)), *_settings(study.held, shown, dyed_polyester))


def coupon_warnings(study: Study, coupons: pd.DataFrame, shown: Shown, *, dyed_polyester: bool) -> tuple[str, ...]:
    """The same of coupons that are to be made: least and largest setting of each factor, and what is held."""
    ends = [{f.name: float(end(coupons[f.name])) for f in study.numeric if f.name in coupons} for end in (min, max)]
    said = [text for settings in (*ends, study.held) for text in _settings(settings, shown, dyed_polyester)]
    return tuple(dict.fromkeys(said))


def _settings(settings: Mapping[str, float | str], shown: Shown, dyed_polyester: bool) -> tuple[str, ...]:
    return all_worded(unusual_settings(settings, dyed_polyester=dyed_polyester), _RANGES, Reader(shown))


def _outside(reader: Reader, *, factor: str) -> str:
    f, known = reader.factors[factor], KNOWN_FACTORS[factor]
    tested = range_both(f, f.low, f.high, reader.shown)
    usual = range_both(f, *known.typical, reader.shown)
    return f"{f.label}: {tested} reaches outside the usual {usual}. {known.source}."


def _held_outside(reader: Reader, *, factor: str, value: float) -> str:
    known = KNOWN_FACTORS[factor]
    least, most = (show_both(end, known.unit, reader.shown) for end in known.typical)
    return (
        f"{known.label}: {show_both(value, known.unit, reader.shown)} is outside the usual {least} to {most}. "
        f"{known.source}."
    )


_RANGES: dict[str, Text] = {
    **texts_of("said_of_limits", "ranges"),
    "outside the usual": _outside,
    "held outside the usual": _held_outside,
}
"""`doe.domain.limits.RangeCode`."""
