"""Confirmation: plans, curtailed verdicts and limits, corners, hand-feel, combination with the study."""

from __future__ import annotations

import math
from itertools import product
from math import comb

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t

from doe.assure.confirmation.allocation import confirmation_points, confirmation_settings
from doe.assure.confirmation.attempts import combine_with_study
from doe.assure.confirmation.claims import claim_limits, claim_plan
from doe.assure.confirmation.verdict import coupon_states, judge_confirmation, predict_hand
from doe.domain.errors import InputError
from doe.domain.factors import usual_factor
from doe.domain.spec import Check, Spec
from doe.domain.study import Study
from doe.setpoint.answer import Answer, Window

CHECKS = (Check("release", "film lets go"), Check("wash_5", "sound after 5 washes", after_washes=5))
SPEC = Spec(pass_rate=0.8, hand_min=None, assurance=0.9, checks=CHECKS)


def run(plan, outcomes):
    """Passed and failed when units are made one after another until the verdict is certain."""
    passed = failed = 0
    for good in outcomes:
        passed, failed = passed + good, failed + (not good)
        if plan.state(passed, failed) != "open":
            break
    return passed, failed


# plans


@given(rate=st.floats(0.5, 0.95), failures=st.integers(0, 3), true=st.floats(0.3, 0.99))
@settings(deadline=None, max_examples=25)
def test_stopping_early_never_changes_the_verdict(rate, failures, true):
    plan = claim_plan(rate, 0.9, failures=failures)
    rng = np.random.default_rng(int(true * 1e6))
    outcomes = (rng.uniform(size=plan.units) < true).tolist()
    whole = plan.state(sum(outcomes), plan.units - sum(outcomes))
    assert whole != "open"
    assert plan.state(*run(plan, outcomes)) == whole


@pytest.mark.parametrize(("failures", "true"), [(0, 0.9), (1, 0.8), (2, 0.95)])
def test_expected_units_is_the_mean_over_all_ways_a_run_can_go(failures, true):
    plan = claim_plan(0.7, 0.8, failures=failures)
    assert plan.units <= 14
    total = chance = 0.0
    for outcomes in product([True, False], repeat=plan.units):
        p = math.prod(true if good else 1 - true for good in outcomes)
        total += p * sum(run(plan, outcomes))
        chance += p * (plan.state(*run(plan, outcomes)) == "accepted")
    assert plan.expected_units(true) == pytest.approx(total)
    assert plan.chance(true) == pytest.approx(chance)
    assert plan.chance([true, true]) == pytest.approx(chance)


def test_plans_side_by_side():
    for claim in ((0.80, 0.90), (0.95, 0.90), (0.95, 0.95)):
        plans = [claim_plan(*claim, failures=failures) for failures in (0, 1, 2)]
        assert [p.units for p in plans] == sorted(p.units for p in plans)
        chances, rates = [p.chance([0.97, 0.99]) for p in plans], [p.rate_for(0.90) for p in plans]
        assert chances == sorted(chances)
        assert rates == sorted(rates, reverse=True)
        assert all(p.expected_units([0.97, 0.99]) <= p.units for p in plans)
    assert claim_plan(0.9, 0.9).chance(claim_plan(0.9, 0.9).rate_for(0.7)) == pytest.approx(0.7)


@pytest.mark.parametrize("failures", [0, 1, 2])
@pytest.mark.parametrize("true", [0.5, 0.7, 0.8, 0.93])
def test_limits_after_an_early_stop_hold_as_often_as_they_say(failures, true):
    # No simulation: every way a run can end, with its probability.
    plan = claim_plan(0.7, 0.9, failures=failures)
    needed, refused = plan.passes_needed, failures + 1
    low_holds = high_holds = total = 0.0
    for m in range(1, plan.units + 1):
        for passed in range(m + 1):
            failed = m - passed
            if passed == needed and failed <= failures:
                p = comb(m - 1, needed - 1) * true**passed * (1 - true) ** failed
            elif failed == refused and passed < needed:
                p = comb(m - 1, refused - 1) * true**passed * (1 - true) ** failed
            else:
                continue
            limits = claim_limits(plan, passed, failed)
            assert limits.final
            total += p
            low_holds += p * (limits.low <= true)
            high_holds += p * (limits.high >= true)
    assert total == pytest.approx(1)
    assert low_holds >= 0.9 - 1e-12
    assert high_holds >= 0.9 - 1e-12


def test_an_accepted_run_shows_at_least_its_claim():
    for failures in (0, 1, 2):
        plan = claim_plan(0.9, 0.9, failures=failures)
        assert claim_limits(plan, plan.units - failures, failures).low >= 0.9
        # accepted before the last unit: more than the claim
        assert claim_limits(plan, plan.passes_needed, 0).low >= 0.9


def test_waiting_units_count_against_the_lower_limit_and_for_the_upper_one():
    plan = claim_plan(0.8, 0.9, failures=1)
    settled = claim_limits(plan, 10, 0)
    waiting = claim_limits(plan, 10, 0, 4)
    assert waiting.low < settled.low
    assert not waiting.final
    assert claim_limits(plan, 0, 0).low == 0


# verdict


def frame(states, *, role="setpoint", stroke=None):
    """Coupons by a word: p passed, f failed at release, w waiting for the wash, x washed out."""
    release = {"p": True, "f": False, "w": True, "x": True}
    wash = {"p": True, "f": None, "w": None, "x": False}
    table = pd.DataFrame(
        {
            "role": role,
            "check_release": pd.Series([release[s] for s in states], dtype=object),
            "check_wash_5": pd.Series([wash[s] for s in states], dtype=object),
        }
    )
    return table if stroke is None else table.assign(stroke=stroke)


def test_a_coupon_passes_only_when_its_washes_are_in():
    assert coupon_states(frame("pfwx"), CHECKS).tolist() == ["passed", "failed", "waiting", "failed"]
    assert coupon_states(pd.DataFrame({"passed": [True, None, False]}), CHECKS).tolist() == [
        "passed",
        "waiting",
        "failed",
    ]
    # a check nobody has a column for yet is a check still to come
    assert coupon_states(frame("p")[["check_release"]], CHECKS).tolist() == ["waiting"]


def test_washes_still_to_come_keep_the_verdict_open_and_are_named():
    plan = claim_plan(0.8, 0.9)
    found = judge_confirmation(frame("p" * 9 + "ww"), plan, SPEC)
    assert (found.verdict, found.waiting, found.to_make) == ("open", 2, 0)
    waits = {"role": "setpoint", "unit": "coupon", "waiting": 2, "checks": (("wash_5", 2),)}
    assert [(fact.code, dict(fact.values)) for fact in found.missing] == [("waiting", waits)]
    early = judge_confirmation(frame("p" * 5), plan, SPEC)
    assert early.to_make == 6
    assert (early.missing[0].code, early.missing[0].values["units"]) == ("to_make", 6)


def test_all_passed_is_accepted_and_one_failure_too_many_is_not():
    plan = claim_plan(0.8, 0.9)
    good = judge_confirmation(frame("p" * 11), plan, SPEC)
    assert good.verdict == good.setpoint_verdict == "accepted"
    assert good.limits.low >= 0.8
    bad = judge_confirmation(frame("pxwww"), plan, SPEC)
    assert (bad.verdict, bad.to_make, bad.missing) == ("not accepted", 0, ())


def test_a_stroke_is_one_unit():
    plan = claim_plan(0.8, 0.9, failures=1)
    strokes = np.repeat(np.arange(18), 2)
    found = judge_confirmation(frame("pp" * 17 + "pf", stroke=strokes), plan, SPEC)
    assert (found.unit, found.passed, found.failed) == ("stroke", 17, 1)
    assert found.verdict == "accepted"
    assert found.limits.high == 1.0  # in every stroke at least one coupon passed


def test_lower_limit_of_strokes_holds_for_coupons_that_share_their_fate():
    # Three coupons a stroke, pass rate 0.9, all three alike half of the time. 800 runs; standard error 0.011.
    rng = np.random.default_rng(11)
    plan = claim_plan(0.6, 0.9, failures=2)
    held = 0
    for _ in range(800):
        alike = rng.uniform(size=plan.units) < 0.5
        whole = rng.uniform(size=(plan.units, 1)) < 0.9
        single = rng.uniform(size=(plan.units, 3)) < 0.9
        passed = np.where(alike[:, None], whole, single)
        n_all, n_any = int(passed.all(axis=1).sum()), int(passed.any(axis=1).sum())
        limits = claim_limits(plan, n_all, plan.units - n_all, any_passed=n_any)
        held += limits.low <= 0.9 <= limits.high
    assert held / 800 >= 0.8 - 0.044  # both limits at 90 % each; four standard errors


def test_corners_decide_with_the_setpoint():
    plan = claim_plan(0.8, 0.9)
    base = frame("p" * 11)

    def with_corner(states):
        return judge_confirmation(pd.concat([base, frame(states, role="corner 1")], ignore_index=True), plan, SPEC)

    assert with_corner("pppp").verdict == "accepted"
    assert with_corner("pppp").corners[0].chance_missed == 1 / 16
    doubtful = with_corner("pppf")
    assert (doubtful.corners[0].verdict, doubtful.verdict) == ("doubtful", "open")
    assert [fact.code for fact in doubtful.missing] == ["doubtful"]
    broken = with_corner("pfff")
    assert (broken.corners[0].verdict, broken.verdict) == ("not held", "not accepted")
    assert broken.setpoint_verdict == "accepted"
    waiting = with_corner("pppw")
    assert waiting.verdict == "open"
    assert (waiting.missing[0].code, waiting.missing[0].values["role"]) == ("waiting", "corner 1")
    # as many again settle a doubt either way
    again = with_corner("pppfpppp")
    assert (again.corners[0].verdict, again.verdict) == ("held", "accepted")
    assert again.corners[0].chance_missed == pytest.approx(9 / 256)
    assert with_corner("pppfpppf").corners[0].verdict == "doubtful"  # a second failure settles nothing
    assert with_corner("pppfpp").corners[0].verdict == "doubtful"  # too few to settle it


def test_corners_may_be_scored_before_the_setpoint():
    plan = claim_plan(0.8, 0.9)
    found = judge_confirmation(frame("pppp", role="corner 1"), plan, SPEC)
    assert (found.verdict, found.setpoint_verdict, found.to_make) == ("open", "open", 11)
    assert (found.limits.low, found.limits.high) == (0, 1)
    assert judge_confirmation(frame("ffff", role="corner 1"), plan, SPEC).verdict == "not accepted"


def test_hand_feel_can_hold_a_verdict_open_or_turn_it():
    plan = claim_plan(0.8, 0.9)
    spec = Spec(pass_rate=0.8, hand_min=3.5, assurance=0.9, checks=CHECKS)
    base = frame("p" * 11)
    soft = judge_confirmation(base.assign(hand_ana=[4, 4.5] * 5 + [4.0]), plan, spec)
    assert (soft.verdict, soft.hand_verdict) == ("accepted", "good enough")
    stiff = judge_confirmation(base.assign(hand_ana=[2, 2.5] * 5 + [2.0]), plan, spec)
    assert (stiff.verdict, stiff.hand_verdict) == ("not accepted", "not good enough")
    near = judge_confirmation(base.assign(hand_ana=[3.5, 4, 3] * 3 + [3.5, 4]), plan, spec)
    assert (near.verdict, near.hand_verdict) == ("open", "not shown")
    none = judge_confirmation(base, plan, spec)
    assert none.verdict == "open"
    assert (none.missing[0].code, none.missing[0].values["coupons"]) == ("hand_unscored", 0)
    assert [fact.code for fact in near.missing] == ["hand_unsettled"]


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: judge_confirmation(frame("p" * 12), claim_plan(0.8, 0.9), SPEC), "at most the 11 planned"),
        (lambda: coupon_states(pd.DataFrame({"x": [1]}), CHECKS), "check columns, or passed"),
    ],
)
def test_impossible_confirmations_are_refused_in_one_line(call, words):
    with pytest.raises(InputError, match=words):
        call()


# hand-feel


@given(scores=st.lists(st.sampled_from([2.0, 2.5, 3, 3.5, 4, 4.5, 5]), min_size=3, max_size=12), m=st.integers(1, 8))
@settings(deadline=None, max_examples=25)
def test_hand_prediction_of_one_person_is_the_textbook_interval(scores, m):
    x = np.array(scores)
    if x.std(ddof=1) < 0.2:
        return
    found = predict_hand(pd.DataFrame({"hand_ana": x}), future=m, assurance=0.9)
    half = t.ppf(0.9, len(x) - 1) * x.std(ddof=1) * math.sqrt(1 / len(x) + 1 / m)
    assert found.low == pytest.approx(x.mean() - half)
    assert found.high == pytest.approx(x.mean() + half)
    half_mean = t.ppf(0.9, len(x) - 1) * x.std(ddof=1) / math.sqrt(len(x))
    assert found.low_mean == pytest.approx(x.mean() - half_mean)


def test_coupons_of_one_stroke_count_for_less():
    rng = np.random.default_rng(12)
    stroke = np.repeat(np.arange(6), 4)
    score = 4 + 0.5 * rng.normal(size=6)[stroke] + 0.1 * rng.normal(size=24)
    together = predict_hand(pd.DataFrame({"hand_ana": score, "stroke": stroke}))
    apart = predict_hand(pd.DataFrame({"hand_ana": score}))
    assert together.df < apart.df
    assert together.low_mean < apart.low_mean
    assert predict_hand(pd.DataFrame({"hand_ana": score, "stroke": 1})).notes[0].code == "one_stroke"


def test_identical_scores_still_have_the_scatter_of_half_steps():
    found = predict_hand(pd.DataFrame({"hand_ana": [4.0] * 5}))
    assert found.sd == pytest.approx(0.5 / math.sqrt(12))
    assert found.low < 4 < found.high


def test_two_people_are_a_panel_and_missing_scores_do_not_shift_it():
    scores = pd.DataFrame({"hand_ana": [4, 4.5, 3.5, 4, 4.5, 3.5], "hand_ben": [3, 3.5, 2.5, 3, 3.5, 2.5]})
    scores["hand_ana"] += [0.1, -0.1, 0, -0.1, 0.1, 0]  # so that something scatters
    whole = predict_hand(scores)
    assert whole.mean == pytest.approx(3.5)
    gap = scores.copy()
    gap.loc[0, "hand_ben"] = np.nan  # the harsh one skips a coupon: the panel's mean must not rise by it
    assert predict_hand(gap).mean == pytest.approx(3.5, abs=0.02)
    assert whole.people == 2


# combination


def test_reweighting_is_the_conjugate_answer():
    # Draws from a Beta posterior and a binomial confirmation: the answer is again a Beta.
    rng = np.random.default_rng(13)
    draws = rng.beta(20, 3, size=40_000)
    found = combine_with_study(draws, draws[:, None], [18], [20], target=0.9, assurance=0.9)
    from scipy.stats import beta, betabinom

    exact = beta(20 + 18, 3 + 2)
    assert found.rate == pytest.approx(exact.mean(), abs=0.002)
    assert found.low == pytest.approx(exact.ppf(0.1), abs=0.003)
    assert found.p_target == pytest.approx(exact.sf(0.9), abs=0.01)
    assert found.surprise == pytest.approx(betabinom.sf(1, 20, 3, 20), abs=0.01)
    assert found.warnings == ()


def test_nothing_confirmed_leaves_the_study_as_it_was():
    draws = np.random.default_rng(14).beta(20, 2, size=2000)
    found = combine_with_study(draws, draws[:, None], [0], [0])
    assert found.rate == pytest.approx(found.study_rate)
    assert found.low == pytest.approx(found.study_low, abs=1e-3)
    assert found.effective_draws == pytest.approx(2000)
    assert found.surprise == 1


def test_a_confirmation_that_contradicts_the_study_is_called_out():
    draws = np.random.default_rng(15).beta(400, 4, size=1500)
    found = combine_with_study(draws, draws[:, None], [10], [20])
    assert found.surprise < 1e-6
    assert [fact.code for fact in found.warnings] == ["few_draws", "surprising"]


def test_coupons_of_one_stroke_move_the_study_less():
    draws = np.random.default_rng(16).beta(8, 2, size=4000)
    apart = combine_with_study(draws, draws[:, None], [30], [30])
    together = combine_with_study(draws, draws[:, None], [30], [30], worth=1 / 3)
    assert together.study_rate < together.rate < apart.rate
    assert [fact.code for fact in together.warnings] == ["strokes_alike"]


# allocation


@pytest.fixture(scope="module")
def fitted():
    """A small study on two factors, fitted quickly; the data are invented."""
    from doe.surfaces.fitted import fit

    study = Study(
        "invented",
        (usual_factor("press_temp"), usual_factor("dwell")),
        spec=Spec(pass_rate=0.8, hand_min=None, assurance=0.9, checks=CHECKS),
    )
    rng = np.random.default_rng(17)
    coupons = pd.DataFrame({"press_temp": rng.uniform(140, 170, 24), "dwell": rng.uniform(8, 20, 24)})
    heat = (coupons["press_temp"] - 155) / 8 + (np.log(coupons["dwell"]) - np.log(13)) / 0.4
    coupons["passed"] = heat.abs() < 1.2
    coupons["side"] = np.where(coupons["passed"], "", np.where(heat > 0, "over", "under"))
    return study, fit(study, coupons, seed=1, particles=150)


def answer_with(window):
    return Answer(
        {"press_temp": 155.0, "dwell": 13.0},
        window,
        None,
        0.9,
        0.8,
        0.9,
        None,
        None,
        None,
        "ready",
        0.5,
        0.9,
        0.9,
        pd.DataFrame(),
        (),
        (),
        (),
        (),
        {},
        1,
    )


def test_confirmation_goes_to_the_setpoint_and_the_worst_corner_of_each_side(fitted):
    study, surfaces = fitted
    bounds = pd.DataFrame({"low": [147.0, 10.0], "high": [163.0, 16.0]}, index=["press_temp", "dwell"])
    points = confirmation_points(study, surfaces, answer_with(Window(bounds, "expected", 0.8, 1.0)))
    assert points["role"].tolist() == ["setpoint", "corner 1", "corner 2"]
    corners = points.iloc[1:]
    assert set(corners["side"]) == {"under", "over"}
    assert {(r.press_temp, r.dwell) for r in corners.itertuples()} == {(147.0, 10.0), (163.0, 16.0)}
    assert (corners["pass_rate"] <= points["pass_rate"].iloc[0]).all()
    every = confirmation_points(study, surfaces, answer_with(Window(bounds, "expected", 0.8, 1.0)), corners=9)
    assert len(every) == 5
    assert every["pass_rate"].iloc[1] == every["pass_rate"].iloc[1:].min()


def test_without_a_window_only_the_setpoint_is_confirmed(fitted):
    study, surfaces = fitted
    points = confirmation_points(study, surfaces, answer_with(None))
    assert points["role"].tolist() == ["setpoint"]
    coupons = confirmation_settings(study, points, [11])
    assert len(coupons) == 11
    assert list(coupons.columns) == ["role", "press_temp", "dwell"]


def test_a_forbidden_corner_is_left_out(fitted):
    from dataclasses import replace

    from doe.domain.space import Forbidden

    study, surfaces = fitted
    bounds = pd.DataFrame({"low": [147.0, 10.0], "high": [163.0, 16.0]}, index=["press_temp", "dwell"])
    answer = answer_with(Window(bounds, "expected", 0.8, 1.0))
    careful = replace(study, forbidden=(Forbidden.parse("press_temp >= 160 and dwell >= 15", study.factors, "curls"),))
    points = confirmation_points(careful, surfaces, answer, corners=9)
    assert len(points) == 4
    assert not ((points["press_temp"] >= 160) & (points["dwell"] >= 15)).any()
