"""Limits of data sheets in words, and what is unusual about tested ranges."""

from __future__ import annotations

from doe.domain.factors import KNOWN_FACTORS
from doe.domain.limits import unusual_ranges
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.words.facts import Reader, Text, all_worded, reader_of
from doe.words.wording import range_both

LIMIT_LABELS = {
    "film_max_degc": "film: highest temperature its data sheet allows",
    "powder_max_degc": "powder: highest temperature its data sheet allows at any step",
    "fabric_max_degc": "fabric: highest temperature its maker or care label allows",
    "oven_max_degc": "oven: highest temperature it may be set to",
    "press_max_degc": "press: highest temperature it may be set to",
    "min_cure_time_s": "shortest cure the powder's data sheet allows",
    "min_dwell_s": "shortest press dwell the film's data sheet allows",
    "max_pressure_bar": "press: highest pressure it may be set to",
}
"""What each field of `doe.domain.limits.Limits` is asked for as."""


def range_warnings(study: Study, shown: Shown = METRIC, *, dyed_polyester: bool = False) -> tuple[str, ...]:
    """What is unusual about the ranges of a study, each with its reason."""
    return all_worded(unusual_ranges(study.factors, dyed_polyester=dyed_polyester), _RANGES, reader_of(study, shown))


def _outside(reader: Reader, *, factor: str) -> str:
    f, known = reader.factors[factor], KNOWN_FACTORS[factor]
    tested = range_both(f, f.low, f.high, reader.shown)
    usual = range_both(f, *known.typical, reader.shown)
    return f"{f.label}: {tested} reaches outside the usual {usual}. {known.source}."


_RANGES: dict[str, Text] = {
    "outside the usual": _outside,
    "dye may move": (
        "press temperature above 138 °C (280 °F) on dyed polyester: dye may move into the print "
        "(trade pages, secondary). Press bare fabric under plain paper first; look again after 24 h and 72 h."
    ),
}
"""`doe.domain.limits.RangeCode`."""
