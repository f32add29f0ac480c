"""Limits and ranges in words."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import date
from typing import get_args

from doe.domain.factors import KNOWN_FACTORS, usual_factor
from doe.domain.limits import Limits, RangeCode
from doe.domain.stack import Material, Stack
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.words.limits import _RANGES, LIMIT_LABELS, range_warnings

STUDY = Study("s", (usual_factor("press_temp", high=180), usual_factor("dwell")))
STACK = Stack("s", Material("tee"), Material("film"), Material("powder"))
ON = date(2031, 9, 15)


def test_unusual_ranges_warn_with_their_reason_in_both_units() -> None:
    (warned,) = range_warnings(STUDY, STACK, ON)
    assert "140 to 180 °C (284 to 356 °F) reaches outside the usual 115 to 175 °C (239 to 347 °F)" in warned
    assert KNOWN_FACTORS["press_temp"].source in warned
    (abroad,) = range_warnings(STUDY, STACK, ON, Shown("degF"))
    assert "284 to 356 °F (140 to 180 °C)" in abroad
    assert "dye may move" in range_warnings(STUDY, replace(STACK, dyed_polyester=True), ON)[1]


def test_every_limit_and_every_code_has_its_words() -> None:
    assert set(LIMIT_LABELS) == {entry.name for entry in fields(Limits)} - {"sources"}
    assert set(_RANGES) == set(get_args(RangeCode))


def test_every_usual_factor_with_a_range_says_where_its_band_comes_from() -> None:
    for name, known in KNOWN_FACTORS.items():
        assert known.label, name
        assert bool(known.source) != bool(known.levels), name
        if not known.levels:
            assert known.typical[0] <= known.low < known.high <= known.typical[1], name
