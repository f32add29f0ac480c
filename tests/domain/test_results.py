"""Scored coupons at the edge: what is read, what is left out, and every problem named at once."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from doe.domain.errors import InputError, InputErrors
from doe.domain.results import read_results
from doe.domain.study import Study


def _frame(study: Study, **columns: object) -> pd.DataFrame:
    base = {f.name: [f.low, f.high, f.low] for f in study.factors}
    return pd.DataFrame({**base, "passed": [True, False, None], **columns})


def test_waiting_coupons_are_counted_and_left_out(study: Study) -> None:
    results = read_results(study, _frame(study))
    assert results.coupons == 2
    assert results.waiting == 1
    assert list(results.side) == ["", "unknown"]  # a failure nobody named


def test_a_side_on_a_passed_coupon_is_dropped(study: Study) -> None:
    assert list(read_results(study, _frame(study, side=["under", "over", ""])).side) == ["", "over"]


def test_measured_values_replace_set_ones_where_given(study: Study) -> None:
    results = read_results(study, _frame(study, actual_dwell=[9.5, None, None]))
    assert list(results.settings["dwell"]) == [9.5, 20]
    assert list(results.measured["dwell"]) == [True, False]


@pytest.mark.parametrize(
    ("columns", "says"),
    [
        ({"passed": ["maybe", True, False]}, "row 1, passed: found 'maybe'"),
        ({"side": ["", "sideways", ""]}, "row 2, side"),
        ({"hand_ana": [3.25, None, None]}, "row 1, hand_ana: found 3.25; allowed: 1 to 5 in half steps"),
        ({"hand_ana": ["soft", None, None]}, "row 1, hand_ana"),
        ({"hand_ana": [np.inf, None, None]}, "row 1, hand_ana"),
        ({"dwell": [8, np.nan, 9]}, "row 2, dwell"),
        ({"dwell": [8, -1, 9]}, "row 2, dwell"),
        ({"coupon": ["R1-01", "R1-01", "R1-02"]}, "each coupon once"),
    ],
)
def test_what_cannot_be_used_is_named(study: Study, columns: dict[str, object], says: str) -> None:
    with pytest.raises(InputError) as caught:
        read_results(study, _frame(study, **columns))
    assert says in str(caught.value)


def test_all_problems_come_at_once(study: Study) -> None:
    with pytest.raises(InputErrors) as caught:
        read_results(study, _frame(study, side=["", "odd", ""], hand_ana=[9, 9, 9]))
    assert len(caught.value.problems) == 4


def test_a_missing_factor_column_is_named(study: Study) -> None:
    with pytest.raises(InputError, match="columns dwell"):
        read_results(study, _frame(study).drop(columns="dwell"))


def test_the_given_frame_is_not_changed(study: Study) -> None:
    frame = _frame(study, hand_ana=[4, None, None])
    before = frame.copy()
    read_results(study, frame)
    pd.testing.assert_frame_equal(frame, before)


def test_the_order_of_pressing_runs_over_the_rounds(study: Study) -> None:
    frame = _frame(study, round=[2, 1, 1], press_order=[1, 5, 2])
    assert list(read_results(study, frame).order) == [1, 0]
    assert read_results(study, frame.assign(press_order=[1, None, 2])).order is None
    assert read_results(study, _frame(study)).order is None
