"""Other settings beside the setpoint: what a shop would take without a model, counted the same way."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from doe.domain.factors import usual_factor
from doe.domain.spec import Spec
from doe.domain.study import Study
from doe.plans.build import make_plan
from doe.practice.lines import make_line
from doe.setpoint.alternatives import other_settings
from doe.setpoint.recommendation import recommend
from doe.setpoint.robust import RobustRate
from doe.surfaces.fitted import fit

FACTORS = tuple(usual_factor(n) for n in ("cure_temp", "cure_time", "press_temp", "dwell"))


@pytest.fixture(scope="module")
def case():
    study = Study("alternatives", FACTORS, Spec())
    results = make_line("easy", 1, study).run(make_plan(study, coupons=20, seed=5).coupons, 5)
    surfaces = fit(study, results, seed=5, particles=200)
    answer = recommend(study, surfaces, seed=5)
    return study, results, surfaces, answer, {a.idea: a for a in other_settings(study, surfaces, answer)}


def test_the_setpoint_is_counted_as_in_the_answer(case):
    _, _, _, answer, found = case
    here = found["setpoint"]
    assert here.settings == dict(answer.setpoint)
    assert here.pass_rate == pytest.approx(answer.pass_rate, abs=1e-12)
    assert here.pass_rate_low == pytest.approx(answer.pass_rate_low, abs=1e-12)
    assert here.hand == pytest.approx(answer.hand, abs=1e-12)


def test_the_best_coupon_passed_and_no_coupon_that_passed_feels_better(case):
    _, results, _, _, found = case
    feel = results[["hand_ana", "hand_ben"]] if "hand_ana" in results else results.filter(like="hand_")
    rows = results.assign(feel=feel.mean(axis=1)).set_index("coupon")
    passed = rows[rows["passed"] == True]  # noqa: E712 - a column of True, False and None
    best = rows.loc[found["best coupon"].coupon]
    assert bool(best["passed"])
    assert best["feel"] == passed["feel"].max()
    quick = found["fastest that passed"]
    assert quick.seconds == (passed["cure_time"] + passed["dwell"]).min()
    assert quick.settings["cure_time"] == rows.loc[quick.coupon, "cure_time"]


def test_the_middle_is_that_of_each_scale(case):
    settings = case[4]["middle of the ranges"].settings
    assert settings["cure_temp"] == 125
    assert settings["cure_time"] == 5 * round(math.sqrt(90 * 210) / 5)
    assert settings["dwell"] == round(math.sqrt(8 * 20))


def test_the_fastest_in_the_window_moves_times_only_and_stays_inside(case):
    _, _, _, answer, found = case
    assert answer.window is not None, "the easy line has a window"
    quick = found["fastest in the window"]
    assert quick.settings["cure_temp"] == answer.setpoint["cure_temp"]
    assert quick.settings["dwell"] == answer.window.bounds.loc["dwell", "low"]
    assert quick.pass_rate >= answer.window.pass_rate - 0.005
    assert quick.seconds == quick.settings["cure_time"] + quick.settings["dwell"]


def test_bounds_are_quantiles_of_the_same_draws(case):
    study, _, surfaces, _, found = case
    for each in found.values():
        draws = RobustRate(study, surfaces).draws(pd.DataFrame([each.settings]), nodes=64)[:, 0]
        assert each.pass_rate == pytest.approx(draws.mean(), abs=1e-12)
        assert each.pass_rate_low == pytest.approx(np.quantile(draws, 0.1), abs=1e-12)


def test_without_times_or_passes_these_ideas_are_left_out():
    factors = (usual_factor("cure_temp"), usual_factor("press_temp"))
    study = Study("temperatures only", factors, Spec(hand_min=None))
    plan = make_plan(study, coupons=12, seed=5)
    results = make_line("smooth", 1, study).run(plan.coupons, 5)
    results = results.assign(passed=False, side="under").drop(columns=[c for c in results if c.startswith("hand_")])
    surfaces = fit(study, results, seed=5, particles=200)
    found = other_settings(study, surfaces, recommend(study, surfaces, seed=5))
    assert [a.idea for a in found] == ["setpoint", "middle of the ranges"]
    assert all(a.seconds is None and a.hand is None for a in found)
