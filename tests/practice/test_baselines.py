from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

import doe
from doe.practice.drill_line import centre
from doe.practice.lines import make_line
from tests.benchmarks.baselines import best_coupon, one_factor_at_a_time


def test_one_factor_at_a_time_makes_its_coupons_and_changes_one_factor_a_sweep(study):
    line = make_line("easy", 1, study)
    trial = one_factor_at_a_time(line, 22, 3)
    assert len(trial.results) == 22
    for number, f in enumerate(study.factors, start=1):
        sweep = trial.results[trial.results["round"] == number]
        others = [n for n in study.factor_names if n != f.name]
        assert len(sweep[others].drop_duplicates()) == 1
        assert sweep[f.name].nunique() == len(sweep)
        assert f.low <= trial.setpoint[f.name] <= f.high


def test_one_factor_at_a_time_stays_in_the_middle_when_nothing_passes(study):
    line = replace(make_line("thermal", 1, study), display_offset={"press_temp": -60.0})
    trial = one_factor_at_a_time(line, 20, 1)
    assert trial.results["passed"].sum() == 0
    assert trial.setpoint == centre(study)


def test_best_coupon_is_the_softest_that_passed(study):
    rows = pd.DataFrame({f.name: [f.low, f.high, (f.low + f.high) / 2] for f in study.numeric})
    rows = rows.assign(passed=[True, False, True], hand_ana=[3.0, 5.0, 4.0], hand_ben=[3.0, 5.0, np.nan])
    assert best_coupon(study, rows)["cure_temp"] == 125
    assert best_coupon(study, rows.assign(passed=False)) == centre(study)


def test_levels_are_tried_too(study):
    both = doe.Study("two films", (*study.factors, doe.usual_factor("film_type")))
    line = make_line("smooth", 2, both)
    trial = one_factor_at_a_time(line, 25, 1)
    last = trial.results[trial.results["round"] == 5]
    assert set(last["film_type"]) == {"hot", "cold"}
    assert trial.setpoint["film_type"] in ("hot", "cold")
