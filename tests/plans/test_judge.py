"""Price and worth of a plan."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import nct
from scipy.stats import t as student

from doe.domain.factors import usual_factor
from doe.domain.finding import Finding
from doe.domain.stack import Line, Machine
from doe.domain.study import Study
from doe.plans.build import add_round, augment_plan, make_plan
from doe.plans.compare import compare_plans, left_out
from doe.plans.decisions import outcome
from doe.plans.judge import BATCH_RATIO, judge_plan, main_effects, smallest_effect
from doe.plans.points import coded_of
from doe.plans.variance import continuous_optimum, design_matrix, expand, precision, region, region_moments
from tests.plans.studies import plain, usual


def codes(facts: tuple[Finding, ...]) -> set[str]:
    return {fact.code for fact in facts}


def test_region_moments_are_those_of_uniform_settings():
    study = plain(2, named=(3,))
    W = region_moments(study, "quadratic")
    rng = np.random.default_rng(1)
    coded, levels = rng.uniform(-1, 1, (200_000, 2)), rng.integers(0, 3, (200_000, 1))
    F = expand(study, coded, levels, "quadratic")
    # six standard errors of a mean of values within +-1
    assert np.allclose(F.T @ F / len(F), W, atol=6 / 200_000**0.5)
    # one factor: mean of x^2 is 1/3, of x^4 is 1/5
    assert W[-1, -1] == pytest.approx(1 / 5)
    assert W[0, -1] == pytest.approx(1 / 3)


def test_forbidden_part_is_left_out_of_the_region():
    study = usual(2, forbidden=("cure_temp >= 125",))
    coded, _, weight = region(study)
    assert coded[:, 0].max() < 0.1
    assert weight.sum() == pytest.approx(1)


def test_precision_agrees_with_explicit_inverses():
    study = plain(3)
    plan = make_plan(study, coupons=18, kind="composite")
    found = precision(study, plan.coupons, "quadratic")
    coded, levels = coded_of(study, plan.coupons)
    X = expand(study, coded, levels, "quadratic")
    inverse = np.linalg.inv(X.T @ X)
    assert np.allclose(found.leverage, [x @ inverse @ x for x in X])
    assert found.leverage.sum() == pytest.approx(10)
    assert found.d_value == pytest.approx(np.linalg.det(X.T @ X) ** 0.1 / 18)
    corner = expand(study, np.ones((1, 3)), np.empty((1, 0), dtype=int), "quadratic")[0]
    assert found.scaled_max >= 18 * corner @ inverse @ corner - 1e-9


def test_what_cannot_be_estimated_has_no_finite_variance():
    study = plain(3)
    found = precision(study, make_plan(study, coupons=10, kind="full").coupons, "quadratic")
    assert found.rank == 8
    assert math.isinf(found.scaled_max)
    assert found.d_efficiency == found.i_efficiency == 0


@given(seed=st.integers(0, 500), coupons=st.integers(12, 26))
@settings(max_examples=10, deadline=None)
def test_no_plan_beats_the_continuous_optimum(seed, coupons):
    study = plain(2)
    for kind in ("optimal", "d-optimal"):
        found = precision(study, make_plan(study, coupons=coupons, kind=kind, seed=seed).coupons, "quadratic")
        assert 0.5 < found.d_efficiency <= 1.005
        assert 0.5 < found.i_efficiency <= 1.005


def test_largest_scaled_variance_of_the_continuous_optimum_is_the_number_of_terms():
    # Kiefer and Wolfowitz (1960): D- and G-optimum are the same, and the largest variance is then p
    study = plain(3)
    axis = np.linspace(-1, 1, 3)
    grid = np.array(list(itertools.product(axis, repeat=3)))
    F = expand(study, grid, np.empty((27, 0), dtype=int), "quadratic")
    w = continuous_optimum(F, steps=3000)
    variance = np.einsum("ip,pq,iq->i", F, np.linalg.inv(F.T @ (w[:, None] * F)), F)
    assert variance.max() == pytest.approx(10, abs=0.01)


def test_smallest_effect_has_the_power_it_promises():
    for df in (1, 2, 5, 30, 200):
        shift = smallest_effect(0.7, df) / 0.7
        limit = student.ppf(0.95, df)
        assert nct.sf(limit, df, shift) + nct.cdf(-limit, df, shift) == pytest.approx(0.80, abs=1e-6)
    assert math.isinf(smallest_effect(0.7, 0))


def test_power_agrees_with_drawn_tests():
    rng = np.random.default_rng(11)
    df, shift = 4, 2.5
    t = (rng.standard_normal(100_000) + shift) / np.sqrt(rng.chisquare(df, 100_000) / df)
    share = (np.abs(t) > student.ppf(0.95, df)).mean()
    # four standard errors
    error = 4 * 0.5 / 100_000**0.5
    low, high = (smallest_effect(1, df, power=share + off) for off in (-error, error))
    assert low < shift < high


def test_batch_factors_are_judged_against_batches():
    study = usual(4)
    effects = {e.factor: e for e in judge_plan(make_plan(study, coupons=28, kind="composite")).effects}
    # five oven batches at three settings: two degrees of freedom between batches of one setting
    assert effects["cure_temp"].error_df == effects["press_temp"].error_df == 2
    assert effects["dwell"].error_df > 5
    assert effects["dwell"].smallest < effects["cure_temp"].smallest


def test_standard_error_with_batches_follows_by_hand_for_a_balanced_split_plot():
    # four oven batches of four, two at each temperature; an easy factor balanced inside; the press set once
    import pandas as pd

    study = Study("split", (usual_factor("cure_temp"), usual_factor("cure_time")))
    rows = [(110 if b % 2 == 0 else 140, t, b + 1, i) for b in range(4) for i, t in enumerate((90, 210, 90, 210))]
    coupons = pd.DataFrame(rows, columns=["cure_temp", "cure_time", "cure_batch", "copy"])
    coupons["press_batch"], coupons["round"], coupons["stroke"] = 1, 1, np.arange(16)
    hard, easy = main_effects(study, coupons, "main")
    # difference of two means of two batches of four: variance 2 (ratio + 1/4) / 2
    assert hard.standard_error == pytest.approx(math.sqrt(BATCH_RATIO + 1 / 4), rel=1e-9)
    assert hard.error_df == 2
    # 16 coupons, mean, two effects, three further batches... the easy factor: 2 / sqrt(16), 16 - 4 batches - 1
    assert easy.standard_error == pytest.approx(0.5, rel=1e-9)
    assert easy.error_df == 11


def test_repeating_every_setting_shows_smaller_temperature_effects():
    study = usual(4)
    plain_, twice = (
        judge_plan(make_plan(study, coupons=28, kind="composite", order=order)) for order in ("batched", "repeated")
    )
    assert twice.smallest_effect < plain_.smallest_effect
    assert twice.hours > plain_.hours


def test_steps_below_twice_the_uncertainty_are_warned_of():
    study = usual(4)
    plan = make_plan(study, coupons=28, kind="composite")
    oven, press = Machine("oven", 10, 15, uncertainty_degc=5.7), Machine("press", 4, 12, uncertainty_degc=8.0)
    judgement = judge_plan(plan, line=Line("line", oven, press))
    # levels are 15 degC apart: more than 2 x 5.7, less than 2 x 8
    assert len(judgement.warnings) == 1
    assert judgement.warnings[0].code == "steps within uncertainty"
    assert judgement.warnings[0].values["factor"] == "press_temp"
    assert judgement.warnings[0].values["least_delta_degc"] == 16


def test_unknown_uncertainty_is_said_and_warned_below_ten_degrees():
    factors = (usual_factor("cure_temp", low=118, high=132), usual_factor("press_temp"))
    plan = make_plan(Study("narrow", factors), coupons=12, kind="composite")
    warnings = judge_plan(plan).warnings
    assert len(warnings) == 1
    assert warnings[0].code == "steps of unknown worth"
    assert warnings[0].values["step_delta_degc"] == 7


def test_first_look_says_that_it_cannot_locate_the_best_settings():
    judgement = judge_plan(make_plan(usual(4), coupons=20, kind="full"))
    assert judgement.model == "interactions"
    assert "which factor bends" in codes(judgement.cannot_tell)
    assert "bends at all" in codes(judgement.can_tell)


def test_composite_tells_where_the_best_settings_lie():
    judgement = judge_plan(make_plan(usual(4), coupons=28, kind="composite"))
    assert judgement.model == "quadratic"
    assert {"best settings", "drift"} <= codes(judgement.can_tell)
    assert Finding("batch error", {"stage": "cure", "repeats": 2}) in judgement.can_tell


def test_judgement_counts_what_is_in_the_plan():
    plan = make_plan(usual(4), coupons=20, kind="full", seed=2)
    judgement = judge_plan(plan)
    assert (judgement.coupons, judgement.garments, judgement.strokes, judgement.rounds) == (20, 5, 20, 1)
    assert judgement.oven_changes == plan.coupons["cure_batch"].nunique() - 1
    assert judgement.settle_minutes == pytest.approx(75 + 48)
    assert judgement.hours < judgement.hours_random


def test_rounds_are_judged_together():
    first = make_plan(usual(3), coupons=10, kind="full", seed=2)
    both = judge_plan(augment_plan(first, coupons=8, seed=2))
    assert judge_plan(first).model != "quadratic"
    assert both.model == "quadratic"
    assert both.rounds == 2
    assert design_matrix(first.study, augment_plan(first, coupons=8, seed=2).coupons, "main").shape == (18, 5)


def test_a_coupon_that_the_fit_must_follow_is_named():
    # a round of one coupon has a mean of its own, which follows that coupon
    plan = make_plan(usual(2), coupons=12, kind="composite")
    both = add_round(plan, plan.settings.iloc[:1], seed=1)
    assert judge_plan(plan).warnings == ()
    alone = [w.values["coupons"] for w in judge_plan(both).warnings if w.code == "followed whatever the result"]
    assert alone == [("R2-01",)]


def test_a_nearly_saturated_plan_says_that_its_fit_cannot_be_checked():
    judgement = judge_plan(make_plan(usual(4), coupons=17, kind="optimal", seed=1))
    assert "fit of the quadratic" in codes(judgement.cannot_tell)


def test_comparison_puts_the_plan_first_that_led_to_the_best_setpoints():
    study = usual(4)
    found = compare_plans(study, coupons=28)
    kinds = [j.kind for j in found]
    tried = [outcome(study, j.kind, j.coupons) for j in found]
    known = [o.worth for o in tried if o is not None]
    assert len(known) >= 5
    assert known == sorted(known, reverse=True)
    assert all(o is None for o in tried[len(known) :])
    assert all(j.coupons <= 28 for j in found)
    assert {"full", "half", "composite", "box-behnken", "d-optimal", "spread"} <= set(kinds)


def test_comparison_of_untried_plans_puts_the_most_telling_first():
    found = compare_plans(usual(6), coupons=40)
    assert all(outcome(usual(6), j.kind, j.coupons) is None for j in found)
    assert len({j.model for j in found}) > 1
    models = [["quadratic", "interactions", "main"].index(j.model) for j in found]
    assert models == sorted(models)


def test_plans_left_out_have_reasons_and_are_not_compared():
    study = usual(4)
    reasons = {r.kind: r.reason for r in left_out(study, coupons=20)}
    assert set(reasons) == {"quarter", "composite", "box-behnken"}
    assert reasons["composite"] == Finding("too few coupons", {"least": 26, "coupons": 20})
    assert not set(reasons) & {j.kind for j in compare_plans(study, coupons=20)}


def test_plans_hindered_by_forbidden_combinations_are_left_out_with_a_reason():
    study = usual(3, forbidden=("cure_temp >= 135",))
    reasons = {r.kind: r.reason for r in left_out(study, coupons=20)}
    assert "forbidden combination" in str(reasons["full"].values["found"])
    assert {j.kind for j in compare_plans(study, coupons=20)} >= {"optimal", "d-optimal"}


def test_a_factor_that_rounding_holds_constant_is_named():
    factors = (usual_factor("cure_temp"), usual_factor("cure_time"), usual_factor("pressure", low=3.02, high=3.13))
    judgement = judge_plan(make_plan(Study("narrow", factors), coupons=16, kind="composite"))
    assert Finding("never varied", {"factor": "pressure"}) in judgement.cannot_tell
    assert math.isinf(judgement.smallest_effect)


def test_random_order_has_independent_batches_and_costs_hours():
    study = usual(4)
    batched, at_random = (
        judge_plan(make_plan(study, coupons=20, kind="full", order=order, seed=1)) for order in ("batched", "random")
    )
    assert at_random.oven_changes > 2 * batched.oven_changes
    assert at_random.hours > batched.hours + 3
    hard = [{e.factor: e.smallest for e in j.effects}["cure_temp"] for j in (batched, at_random)]
    assert hard[1] < hard[0]


def test_a_plan_that_can_show_no_effect_of_some_factor_comes_after_those_that_can():
    names = ("cure_temp", "cure_time", "press_temp", "dwell", "pressure", "powder_amount")
    study = Study("six", tuple(usual_factor(n) for n in names))
    seen = [math.isfinite(judged.smallest_effect) for judged in compare_plans(study, coupons=24)]
    assert seen == sorted(seen, reverse=True)
    assert len(set(seen)) == 2  # both kinds are there, or nothing was compared
