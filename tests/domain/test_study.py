"""Factors, limits, forbidden combinations and studies: what is taken, what is refused, and the words used."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.domain.coding import code, decode, inward, round_inward, round_settings, to_step
from doe.domain.errors import InputError, InputErrors
from doe.domain.factors import KNOWN_FACTORS, Factor, usual_factor
from doe.domain.finding import Finding
from doe.domain.limits import Limits, check_ranges, missing_limits, unusual_ranges
from doe.domain.masks import is_forbidden
from doe.domain.serial import line_from, stack_from, study_from, to_plain
from doe.domain.space import Forbidden
from doe.domain.spec import Check, Spec
from doe.domain.stack import Line, Machine, Material, Stack
from doe.domain.study import Study

USUAL = tuple(usual_factor(n) for n in ("cure_temp", "cure_time", "press_temp", "dwell"))
LIMITS = Limits(
    film_max_degc=180,
    powder_max_degc=175,
    fabric_max_degc=170,
    oven_max_degc=160,
    press_max_degc=190,
    min_cure_time_s=60,
    min_dwell_s=5,
)


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"name": "Cure temp"}, "lower-case letters"),
        ({"name": "passed"}, "not a column of the plan"),
        ({"name": "x", "unit": "F"}, "degC, s, bar, g/m2"),
        ({"name": "x", "unit": "degC", "low": 140, "high": 110}, "a low below a high"),
        ({"name": "x", "unit": "degC", "low": 110, "high": math.nan}, "a low below a high"),
        ({"name": "x", "unit": "degC", "low": 230, "high": 284}, "If it is Fahrenheit, write 230F"),
        ({"name": "x", "unit": "s", "low": 0, "high": 10, "scale": "log"}, "above 0 on a log scale"),
        ({"name": "x", "unit": "s", "low": 1, "high": 10, "setting_sd": -1}, "0 or more"),
        ({"name": "x", "unit": "", "levels": ("a",)}, "2 to 4 different levels"),
        ({"name": "x"}, "a list of levels"),
    ],
)
def test_a_factor_that_cannot_be_is_refused(fields: dict[str, object], says: str) -> None:
    with pytest.raises(InputError, match=says):
        Factor(**fields)  # type: ignore[arg-type]


def test_the_usual_factors_bring_their_stage_label_and_step() -> None:
    f = Factor("cure_temp", "degC", low=110, high=140, setting_sd=4, hard_to_change=True)
    assert (f.stage, f.label, f.step) == ("cure", "cure temperature", 1)
    assert all(usual_factor(name).name == name for name in KNOWN_FACTORS)
    with pytest.raises(InputError, match="Choose one of these"):
        usual_factor("mood")


@given(st.floats(-1, 1), st.sampled_from(USUAL))
def test_coding_and_back_changes_nothing(coded: float, factor: Factor) -> None:
    assert code(factor, decode(factor, [coded]))[0] == pytest.approx(coded, abs=1e-9)


def test_a_step_finer_than_one_leaves_no_crumbs() -> None:
    assert [to_step(value, 0.1) for value in (0.31, 0.69)] == [0.3, 0.7]
    assert inward(0.21, 0.69, 0.1) == (0.3, 0.6)
    assert inward(0.3, 0.7, 0.1) == (0.3, 0.7)


def test_a_garment_takes_a_coupon_at_least_and_a_study_remembers_how_many() -> None:
    study = Study("s", USUAL)
    assert study.per_garment == 4
    assert "coupons_per_garment" not in to_plain(study)
    six = replace(study, coupons_per_garment=6)
    assert study_from(to_plain(six)) == six
    with pytest.raises(InputError, match="coupons per garment: found 0; allowed: 1 or more"):
        replace(study, coupons_per_garment=0)


def test_the_centre_of_a_time_is_its_geometric_mean() -> None:
    assert decode(usual_factor("dwell"), [0.0])[0] == pytest.approx(math.sqrt(8 * 20))


@given(st.floats(0, 500), st.sampled_from([*USUAL, usual_factor("pressure")]))
def test_rounding_stays_inside_the_range_on_a_machine_step(value: float, factor: Factor) -> None:
    rounded = float(round_settings(factor, [value])[0])
    assert factor.low <= rounded <= factor.high
    assert rounded / factor.step == pytest.approx(round(rounded / factor.step), abs=1e-6)


def test_windows_are_rounded_inward_or_vanish() -> None:
    dwell = usual_factor("dwell")
    assert round_inward(dwell, 9.2, 12.9) == (10, 12)
    assert round_inward(dwell, 9.2, 9.8) is None


def test_limits_say_what_is_missing_and_what_is_out() -> None:
    assert missing_limits(USUAL, None)[:2] == ("film_max_degc", "powder_max_degc")
    assert missing_limits(USUAL, LIMITS) == ()
    assert missing_limits((*USUAL, usual_factor("pressure")), LIMITS) == ("max_pressure_bar",)
    hot = (usual_factor("press_temp", low=150, high=172), usual_factor("dwell", low=3))
    with pytest.raises(InputErrors) as caught:
        check_ranges(hot, LIMITS)
    assert "at most 170 °C (338 °F)" in str(caught.value)
    assert "dwell, low" in str(caught.value)


def test_nothing_at_or_above_the_ceiling_is_accepted_whatever_the_limits_say() -> None:
    with pytest.raises(InputError, match="below 200 °C"):
        Factor("oven_temp", "degC", 180, 200)
    with pytest.raises(InputError, match="below 200 °C"):
        check_ranges((Factor("oven_temp", "degC", 180, 401),), Limits(oven_max_degc=200))


def test_a_limit_typed_in_fahrenheit_is_asked_about() -> None:
    with pytest.raises(InputError, match="write 356F"):
        Limits(film_max_degc=356)
    assert Limits(film_max_degc=200).film_max_degc == 200


def test_unusual_ranges_are_found_and_never_block() -> None:
    hot, dwell = usual_factor("press_temp", high=180), usual_factor("dwell")
    assert unusual_ranges((hot, dwell)) == (Finding("outside the usual", {"factor": "press_temp"}),)
    assert [found.code for found in unusual_ranges((usual_factor("press_temp"),), dyed_polyester=True)] == [
        "dye may move"
    ]


def test_forbidden_combinations_are_read_and_matched() -> None:
    factors = (*USUAL[:2], Factor("film", levels=("hot", "cold")))
    corner = Forbidden.parse("cure_temp >= 275F and cure_time >= 3 min", factors)
    mixed = Forbidden.parse("film = cold, cure_temp < 115", factors)
    frame = pd.DataFrame(
        {"cure_temp": [135, 135, 112, 112], "cure_time": [180, 170, 180, 90], "film": ["hot", "cold", "cold", "hot"]}
    )
    assert list(corner.matches(frame)) == [True, False, False, False]
    assert list(is_forbidden((corner, mixed), frame)) == [True, False, True, False]
    assert str(corner) == "cure_temp >= 135 and cure_time >= 180"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("cure_temp around 130", "comparisons joined by 'and'"),
        ("speed > 3", "Use a factor of the study"),
        ("film > hot", "= one of hot, cold"),
        ("film = warm", "= one of hot, cold"),
        ("", "comparisons joined by 'and'"),
    ],
)
def test_a_forbidden_combination_that_says_nothing_is_refused(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        Forbidden.parse(text, (*USUAL[:2], Factor("film", levels=("hot", "cold"))))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"factors": ()}, "1 to 6"),
        ({"factors": (USUAL[0], USUAL[0])}, "each factor once"),
        ({"factors": (Factor("film", levels=("hot", "cold")),)}, "at least one with a range"),
        ({"name": " "}, "a name"),
        ({"forbidden": (Forbidden.parse("dwell > 15", USUAL),), "factors": USUAL[:2]}, "Use a factor of the study"),
        ({"limits": Limits(film_max_degc=150)}, "at most 150"),
    ],
)
def test_a_study_that_cannot_be_is_refused(change: dict[str, object], says: str) -> None:
    with pytest.raises(InputError, match=says):
        Study(**{"name": "s", "factors": USUAL, **change})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "fields", [{"pass_rate": 95}, {"pass_rate": 1.0}, {"assurance": 0.2}, {"hand_min": 7}, {"checks": ()}]
)
def test_a_spec_that_cannot_be_is_refused(fields: dict[str, object]) -> None:
    with pytest.raises(InputError):
        Spec(**fields)  # type: ignore[arg-type]


def test_studies_stacks_and_lines_come_back_from_json_as_they_were() -> None:
    study = Study(
        "Ärmel – new powder",
        (*USUAL, Factor("film", levels=("hot", "cold"))),
        Spec(0.9, None, 0.8, (Check("release", "lets go"), Check("wash_1", "1 wash", 1))),
        LIMITS,
        (Forbidden.parse("dwell >= 18 and press_temp >= 165", USUAL, "scorches"),),
        {"pressure": 3.5, "peel": "hot"},
    )
    stack = Stack("s", Material("jersey", "mill", "L1"), Material("film"), Material("powder", detail="80-160 um"))
    line = Line("l", Machine("oven", 9, 14, 5.0), Machine("press", 4, 11), "probe", 4, 6)
    for thing, read in ((study, study_from), (stack, stack_from), (line, line_from)):
        back = read(json.loads(json.dumps(to_plain(thing))))
        # NaN ends of a categorical factor are not equal to themselves, so the plain forms are compared
        assert json.dumps(to_plain(back)) == json.dumps(to_plain(thing))


def test_numbers_of_numpy_are_settings_too() -> None:
    assert Factor("dwell", "s", np.float64(8), np.float64(20), scale="log").high == 20
