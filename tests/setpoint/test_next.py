"""The coupons of a next round: permitted, runnable in an afternoon, and where they help."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import doe
from doe.domain.factors import Factor, usual_factor
from doe.domain.limits import Limits
from doe.domain.space import Forbidden
from doe.domain.study import Study
from doe.setpoint.next_coupons import BATCH_LEVELS, MOST_ALIKE, MOST_TOLD, _runnable, choose_coupons, choose_next
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import Found, allowed, find_setpoint
from doe.setpoint.telling import DecisionWorth, expected_worth, outcome_chances
from doe.setpoint.verdict import contradicted
from tests.shared import known_coupons

NAMES = ("cure_temp", "cure_time", "press_temp", "dwell", "pressure", "powder_amount")


def _found(study: Study, frame: pd.DataFrame, particles: int = 120) -> tuple[RobustRate, Found]:
    rate = RobustRate(study, doe.fit(study, frame, seed=1, particles=particles))
    return rate, find_setpoint(rate, rng=np.random.default_rng(1))


def _check(study: Study, chosen: pd.DataFrame, coupons: int) -> None:
    assert len(chosen) == coupons
    assert list(chosen.columns) == list(study.factor_names)
    assert list(chosen.index) == list(range(coupons))
    assert allowed(study, chosen).all()
    for f in study.numeric:
        ticks = chosen[f.name].to_numpy(dtype=float) / f.step
        assert ticks == pytest.approx(np.round(ticks))
        if f.hard_to_change:
            assert chosen[f.name].nunique() <= BATCH_LEVELS
    for f in study.categorical:
        assert set(chosen[f.name]) <= set(f.levels)


@pytest.fixture(scope="module")
def two() -> Study:
    return Study("two", tuple(usual_factor(n) for n in ("press_temp", "dwell")), doe.Spec(pass_rate=0.9, hand_min=None))


@pytest.mark.parametrize("factors", [2, 3, 4, 5, 6])
def test_a_round_can_be_run_in_an_afternoon(factors: int) -> None:
    study = Study("s", tuple(usual_factor(n) for n in NAMES[:factors]), doe.Spec(pass_rate=0.9, hand_min=3.5))
    rate, found = _found(study, known_coupons(study, 12, seed=factors))
    for coupons in (1, 6, 8):
        _check(study, choose_coupons(rate, found, coupons, rng=np.random.default_rng(0)), coupons)


def test_so_can_a_large_one_and_one_from_very_few_draws(two: Study) -> None:
    rate, found = _found(two, known_coupons(two, 6, seed=1), particles=20)
    for coupons in (MOST_TOLD * 2, 60):
        _check(two, choose_coupons(rate, found, coupons, rng=np.random.default_rng(0)), coupons)


def test_candidates_keep_slow_factors_at_few_settings_and_repeat_a_setting_once() -> None:
    slow = np.array([[1.0], [2.0], [3.0], [4.0], [2.0]])
    assert _runnable(slow, [0, 1]).all()
    assert _runnable(slow, [0, 1, 2]).tolist() == [True, True, True, False, True]
    assert _runnable(slow, [0] * MOST_ALIKE).tolist() == [False, True, True, True, True]


def test_the_same_seed_chooses_the_same_coupons(two: Study) -> None:
    rate, found = _found(two, known_coupons(two, 10, seed=1))
    first, second = (choose_coupons(rate, found, 6, rng=np.random.default_rng(3)) for _ in range(2))
    pd.testing.assert_frame_equal(first, second)


def test_nothing_forbidden_is_proposed_and_levels_are_those_of_the_study() -> None:
    factors = (
        usual_factor("press_temp", high=165),
        usual_factor("dwell", low=9),
        Factor("film", levels=("hot", "cold")),
    )
    for rule in ("press_temp >= 155 and dwell >= 12", "press_temp >= 146 and press_temp <= 164"):
        study = Study(
            "s",
            factors,
            doe.Spec(pass_rate=0.8, hand_min=None),
            limits=Limits(film_max_degc=165, min_dwell_s=9),
            forbidden=(Forbidden.parse(rule, factors),),
        )
        rate, found = _found(study, known_coupons(study, 14, seed=3).assign(film=["hot", "cold"] * 7))
        for seed in range(4):
            _check(study, choose_coupons(rate, found, 10, rng=np.random.default_rng(seed)), 10)


@pytest.mark.parametrize("passed", [True, False])
@pytest.mark.parametrize("hand", [True, False])
def test_results_that_all_ended_alike_still_lead_to_a_round(passed: bool, hand: bool) -> None:
    study = Study("s", tuple(usual_factor(n) for n in NAMES[:3]), doe.Spec(pass_rate=0.95, hand_min=3.5))
    frame = known_coupons(study, 10, seed=5).assign(passed=passed, side="" if passed else "under")
    people = ["hand_ana", "hand_ben"]
    frame[people] = 4.0 if passed else np.nan
    rate, found = _found(study, frame if hand else frame.drop(columns=people))
    chosen = choose_coupons(rate, found, 6, rng=np.random.default_rng(0))
    _check(study, chosen, 6)
    assert len(chosen.drop_duplicates()) >= 3


def test_where_results_contradict_the_map_their_settings_are_asked_again(two: Study) -> None:
    rng = np.random.default_rng(1)
    frame = known_coupons(two, 24, seed=5).drop(columns=["hand_ana", "hand_ben"])
    frame = frame.assign(passed=rng.random(24) < 0.5)  # nothing that a map could know
    rate, found = _found(two, frame.assign(side=np.where(frame["passed"], "", "unknown")))
    named = contradicted(rate.surfaces)
    assert len(named) == 3
    chosen = choose_coupons(rate, found, 6, rng=np.random.default_rng(3))
    _check(two, chosen, 6)
    results = rate.surfaces.results
    for name in named:
        row = results.settings.iloc[int(np.flatnonzero(results.coupon == name)[0])]
        near = [abs(chosen[f.name] - row[f.name]) <= f.step / 2 + 1e-9 for f in two.numeric]
        assert np.logical_and(*near).any()


def test_where_no_outcome_changes_the_decision_coupons_lie_where_draws_have_their_best(two: Study) -> None:
    # a wanted rate that no draw reaches anywhere: whatever comes, it is called not reachable
    hopeless = replace(two, spec=doe.Spec(pass_rate=0.9999, hand_min=None))
    rate, found = _found(hopeless, known_coupons(two, 10, seed=1))
    assert found.best.max() < 0.9999
    worth = DecisionWorth.of(rate, found, 6)
    assert (worth.gain[:, -1] == 1).all()
    chosen = choose_coupons(rate, found, 6, rng=np.random.default_rng(0))
    _check(hopeless, chosen, 6)
    assert set(chosen["dwell"]) <= set(found.best_at["dwell"])  # not a slow factor: left where the draws had it


def test_chosen_coupons_are_expected_to_help_more_than_coupons_anywhere_and_than_draws(two: Study) -> None:
    rate, found = _found(two, known_coupons(two, 10, seed=1), particles=300)
    worth = DecisionWorth.of(rate, found, 1)
    ways = np.full((1, worth.draws.count), 1 / worth.draws.count)
    chosen = choose_coupons(rate, found, 1, rng=np.random.default_rng(0))
    rng = np.random.default_rng(1)
    anywhere = pd.DataFrame({f.name: rng.uniform(f.low, f.high, 60) for f in two.factors})
    drawn = choose_next(two, found.best_at, 20, rng=rng)
    best, others, thompson = (
        expected_worth(ways, outcome_chances(rate, frame, worth.draws), worth.gain)
        for frame in (chosen, anywhere, drawn)
    )
    assert best[0] > np.quantile(others, 0.9)
    assert best[0] > thompson.mean()


def test_draws_beside_other_coupons_keep_to_their_slow_settings_and_away_from_them(study: Study) -> None:
    rng = np.random.default_rng(0)
    best_at = pd.DataFrame({f.name: rng.uniform(f.low, f.high, 200).round() for f in study.factors})
    beside = pd.DataFrame({"cure_temp": [112.0, 126.0, 138.0], "cure_time": 150.0, "press_temp": 160.0, "dwell": 14.0})
    near = pd.concat([beside.head(1)] * 50 + [best_at], ignore_index=True)
    more = choose_next(study, near, 5, rng=rng, beside=beside)
    both = pd.concat([beside, more])
    assert set(more["cure_temp"]) <= {112.0, 126.0, 138.0}
    assert both["press_temp"].nunique() <= BATCH_LEVELS
    assert not both.duplicated().any()


def test_an_added_round_has_its_coupons_from_here_and_two_at_the_centre(study: Study) -> None:
    plan = doe.make_plan(study, coupons=12, seed=2)
    frame = known_coupons(study, 12, seed=2)
    named = plan.coupons.merge(frame[["passed", "side"]], left_index=True, right_index=True)
    surfaces = doe.fit(study, named, seed=2, particles=120)
    longer = doe.extend_plan(study, plan, surfaces, coupons=8, seed=2)
    rate = RobustRate(study, surfaces)
    rng = np.random.default_rng(2)
    wanted = choose_coupons(rate, find_setpoint(rate, rng=rng), 6, rng=rng)
    added = longer.coupons[longer.coupons["round"] == 2]
    made = added[added["role"] != "repeat centre"][list(study.factor_names)]
    assert len(added) == 8
    order = list(study.factor_names)
    pd.testing.assert_frame_equal(
        made.sort_values(order, ignore_index=True), wanted.sort_values(order, ignore_index=True), check_dtype=False
    )
