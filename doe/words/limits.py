"""Limits of data sheets in words, and what is unusual about tested ranges."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING

from doe.domain.factors import KNOWN_FACTORS
from doe.domain.limits import unusual_ranges, unusual_settings
from doe.domain.stack import Stack
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown, show_both
from doe.words.cautions import HOVERING
from doe.words.facts import Reader, Text, all_worded, reader_of, texts_of
from doe.words.materials import material_warnings
from doe.words.wording import range_both

if TYPE_CHECKING:  # listing studies waits for no frames
    import pandas as pd

LIMIT_LABELS = texts_of("said_of_limits", "labels")
"""What each field of `doe.domain.limits.Limits` is asked for as."""


def range_warnings(study: Study, stack: Stack, on: date, shown: Shown = METRIC) -> tuple[str, ...]:
    """What is unusual about the ranges and the held settings of a study with these materials, each with its reason."""
    dyed = stack.dyed_polyester
    searched = tuple(f for f in study.factors if not f.fixed)
    ranges = all_worded(unusual_ranges(searched, dyed_polyester=dyed), _RANGES, reader_of(study, shown))
    settings = {**study.settings, **study.held}
    hovering = (HOVERING,) if "hover_gap" in {*study.factor_names, *study.held} else ()
    return (*hovering, *ranges, *_settings(settings, shown, dyed), *known_of_materials(study, stack, on, shown))


def known_of_materials(study: Study, stack: Stack, on: date, shown: Shown = METRIC) -> tuple[str, ...]:
    """What the materials alone warn about, over the ranges and held settings of a study."""
    spans = {f.name: (f.low, f.high) for f in study.numeric}
    return material_warnings(stack, on, {**spans, **_held_spans(study)}, shown)


def coupon_warnings(
    study: Study, coupons: pd.DataFrame, stack: Stack, on: date, shown: Shown = METRIC
) -> tuple[str, ...]:
    """The same of coupons that are to be made: least and largest setting of each factor, and what is held."""
    made = [f.name for f in study.numeric if f.name in coupons]
    spans = {name: (float(coupons[name].min()), float(coupons[name].max())) for name in made}
    ends = [{name: span[end] for name, span in spans.items()} for end in (0, 1)]
    said = [text for settings in (*ends, study.held) for text in _settings(settings, shown, stack.dyed_polyester)]
    said += material_warnings(stack, on, {**spans, **_held_spans(study)}, shown)
    return tuple(dict.fromkeys(said))


def _held_spans(study: Study) -> dict[str, tuple[float, float]]:
    return {name: (value, value) for name, value in study.held.items() if not isinstance(value, str)}


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
