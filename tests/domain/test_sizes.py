"""Sizes that no machine has are refused where they are typed, not found out in the middle of a fit."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from doe.domain.errors import InputError
from doe.domain.factors import Factor, usual_factor
from doe.domain.limits import Limits
from doe.domain.results import read_results
from doe.domain.score import ScoreEntry, entry_problems
from doe.domain.spec import Check
from doe.domain.study import Study

TWO = (usual_factor("cure_temp"), usual_factor("dwell"))


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"unit": "s"}, "unit: found s; allowed: degC"),
        (
            {"low": -400.0, "high": -300.0},
            r"low: found -400 °C \(-688 °F\); allowed: -50 °C \(-58 °F\) to 1000 °C \(1832 °F\)",
        ),
        ({"step": 31.0}, "not wider than the range"),
        ({"step": 1e-300}, "vanishing"),
        ({"step": math.nan}, "step: found nan"),
        ({"setting_sd": 1e300}, "at most 10 times the range"),
        ({"setting_sd": math.inf}, "at most 10 times the range"),
    ],
)
def test_a_range_a_machine_cannot_have(changes: dict[str, float | str], says: str) -> None:
    with pytest.raises(InputError, match=says):
        usual_factor("cure_temp", **changes)


def test_a_time_of_years_is_a_slip() -> None:
    with pytest.raises(InputError, match="high: found 1e"):
        usual_factor("dwell", high=1e300)


@pytest.mark.parametrize("levels", [("hot", "HOT"), ("a b", "ab"), ("hot", ""), ("hot", " "), ("hot", "=1+1")])
def test_levels_can_be_told_apart(levels: tuple[str, ...]) -> None:
    with pytest.raises(InputError, match="level"):
        Factor("film_type", levels=levels)


@pytest.mark.parametrize("name", ["check_a", "hand_a", "x" * 41])
def test_a_factor_is_no_column_of_the_results(name: str) -> None:
    with pytest.raises(InputError, match="factor name"):
        Factor(name, "s", 1, 2)


@pytest.mark.parametrize(
    ("held", "says"),
    [
        ({"cure_temp": 120.0}, "held cure_temp: found a factor of the study"),
        ({"pressure": -3.0}, "held pressure: found -3; allowed: 0 to"),
        ({"pressure": math.nan}, "held pressure: found nan"),
        ({"mesh": math.inf}, "held mesh: found inf"),
    ],
)
def test_a_held_setting_is_one_and_does_not_vary(held: dict[str, float], says: str) -> None:
    with pytest.raises(InputError, match=says):
        Study("s", TWO, held=held)


def test_a_limit_beyond_the_ceiling_is_a_slip() -> None:
    assert Limits(film_max_degc=200.0).film_max_degc == 200
    for value in (200.5, 350.0, 500.0, math.inf, math.nan):
        with pytest.raises(InputError, match="film: highest temperature its data sheet allows: found"):
            Limits(film_max_degc=value)


def test_checks_have_short_names_and_a_wash_count() -> None:
    for name, washes in (("x" * 41, 0), ("a b", 0), ("a", 10**18), ("a", -1)):
        with pytest.raises(InputError, match="check"):
            Check(name, "", washes)


def test_a_measured_setting_is_one_a_gauge_can_read() -> None:
    study = Study("s", TWO)
    for name, value in (("dwell", 1e300), ("cure_temp", -300.0), ("cure_temp", 1e300)):
        (problem,) = entry_problems(ScoreEntry("R1-01", actual={name: value}), study)
        assert "Correct the number" in problem.remedy
    assert not entry_problems(ScoreEntry("R1-01", actual={"dwell": 90.0, "cure_temp": 30.0}), study)


@pytest.mark.parametrize(
    ("column", "value", "says"),
    [
        ("cure_temp", 250.0, "row 2, cure_temp: found 250 °C .*write 250F"),
        ("cure_temp", 1e300, "row 2, cure_temp"),
        ("cure_temp", -1e5, "row 2, cure_temp"),
        ("actual_cure_temp", math.inf, "row 2, actual_cure_temp: found inf"),
        ("actual_dwell", "quick", "row 2, actual_dwell: found quick"),
        ("dwell", 1e9, "row 2, dwell"),
    ],
)
def test_results_with_impossible_settings_are_refused(column: str, value: object, says: str) -> None:
    study = Study("s", TWO)
    good = {"cure_temp": [120.0, 125.0], "dwell": [10.0, 12.0], "passed": [True, False]}
    assert read_results(study, pd.DataFrame(good)).coupons == 2
    bad = pd.DataFrame(good).astype({"cure_temp": object})
    bad[column] = [bad[column].iloc[0] if column in bad else None, value]
    with pytest.raises(InputError, match=says):
        read_results(study, bad)


def test_a_coupon_made_too_hot_is_taken_and_a_setting_not_measured_is_none() -> None:
    frame = pd.DataFrame(
        {"cure_temp": [120.0, 210.0], "dwell": [10.0, 12.0], "passed": [True, False], "actual_dwell": [None, 11.0]}
    )
    found = read_results(Study("s", TWO), frame)
    assert found.settings["dwell"].tolist() == [10.0, 11.0]
    assert found.measured["dwell"].tolist() == [False, True]
