"""The bench's other way to choose next coupons is a fair rival: what it computes is right, and a shop could run it."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tests_shared import known_coupons

import doe
from doe.domain.factors import Factor, usual_factor
from doe.domain.limits import Limits
from doe.domain.space import Forbidden
from doe.domain.study import Study
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import Found, find_setpoint

sys.path.append(str(Path(__file__).parents[1] / "bench"))

from telling_coupons import BATCH_LEVELS, _expected, _follow, _goals, _outcomes, _runnable, choose_telling


def _found(study: Study, coupons: int, seed: int = 1) -> tuple[RobustRate, Found]:
    surfaces = doe.fit(study, known_coupons(study, coupons, seed), seed=seed, particles=200)
    rate = RobustRate(study, surfaces)
    return rate, find_setpoint(rate, rng=np.random.default_rng(seed))


@pytest.fixture(scope="module")
def two() -> Study:
    return Study("two", tuple(usual_factor(n) for n in ("press_temp", "dwell")), doe.Spec(pass_rate=0.9, hand_min=None))


def test_the_expected_chance_is_that_of_a_loop_over_ways_outcomes_and_goals() -> None:
    rng = np.random.default_rng(0)
    ways = rng.dirichlet(np.ones(7), 3)
    passes = rng.random((7, 4))
    chance = np.stack([passes, 0.3 * (1 - passes), 0.7 * (1 - passes)])
    reached = (rng.random((7, 5)) < 0.5).astype(float)
    for c in range(4):
        total = 0.0
        for weights in ways:
            for outcome in chance[:, :, c]:
                p = float(weights @ outcome)  # chance of this outcome
                after = weights * outcome / p
                total += p * max(float(after @ reached[:, g]) for g in range(5)) / len(ways)
        assert _expected(ways, chance, reached)[c] == pytest.approx(total)


def test_looking_never_lowers_the_expected_chance_and_a_coupon_that_tells_nothing_leaves_it() -> None:
    rng = np.random.default_rng(1)
    ways, reached = rng.dirichlet(np.ones(50), 4), (rng.random((50, 6)) < 0.4).astype(float)
    now = (ways @ reached).max(axis=1).mean()
    passes = rng.random((50, 20))
    passes[:, 0] = 0.7  # every draw says the same of this coupon
    value = _expected(ways, np.stack([passes, 1 - passes]), reached)
    assert (value >= now - 1e-12).all()
    assert value[0] == pytest.approx(now)
    # a coupon that ends as the first goal does tells all there is about that goal
    told = _expected(ways, np.stack([reached[:, :1], 1 - reached[:, :1]]), reached[:, :1])[0]
    assert told == pytest.approx(float((ways @ reached[:, 0]).mean()))


def test_ways_follow_outcomes_as_often_as_they_are_likely() -> None:
    rng = np.random.default_rng(2)
    passes = np.array([0.9, 0.2])
    ways = np.full((4000, 2), 0.5)
    after = _follow(ways, np.stack([passes, 1 - passes]), rng)
    passed = after[:, 0] > 0.5  # the first draw is likelier after a pass
    assert passed.mean() == pytest.approx(0.55, abs=0.005)  # points are spread evenly, so nearly exact
    assert after[passed][0] == pytest.approx([0.9 / 1.1, 0.2 / 1.1])
    assert after.mean(axis=0) == pytest.approx([0.5, 0.5], abs=0.005)


def test_a_round_keeps_slow_factors_at_few_settings(study: Study) -> None:
    rate, found = _found(study, 12)
    chosen = choose_telling(rate, found, 8, rng=np.random.default_rng(0))
    assert len(chosen) == 8
    assert list(chosen.columns) == list(study.factor_names)
    for f in study.factors:
        if f.hard_to_change:
            assert chosen[f.name].nunique() <= BATCH_LEVELS
        assert (chosen[f.name] / f.step).to_numpy() == pytest.approx((chosen[f.name] / f.step).round().to_numpy())
    slow = np.array([[1.0], [2.0], [3.0], [4.0], [2.0]])
    assert _runnable(slow, [0, 1]).all()
    assert _runnable(slow, [0, 1, 2]).tolist() == [True, True, True, False, True]


def test_the_same_seed_chooses_the_same_coupons(two: Study) -> None:
    rate, found = _found(two, 10)
    first, second = (choose_telling(rate, found, 6, rng=np.random.default_rng(3)) for _ in range(2))
    pd.testing.assert_frame_equal(first, second)


def test_nothing_forbidden_is_proposed_and_levels_are_those_of_the_study() -> None:
    factors = (
        usual_factor("press_temp", high=165),
        usual_factor("dwell", low=9),
        Factor("film", levels=("hot", "cold")),
    )
    study = Study(
        "s", factors, doe.Spec(pass_rate=0.8, hand_min=None), limits=Limits(film_max_degc=165, min_dwell_s=9),
        forbidden=(Forbidden.parse("press_temp >= 155 and dwell >= 12", factors),),
    )  # fmt: skip
    frame = known_coupons(study, 14, seed=3).assign(film=["hot", "cold"] * 7)
    rate = RobustRate(study, doe.fit(study, frame, seed=1, particles=120))
    found = find_setpoint(rate, rng=np.random.default_rng(1))
    for seed in range(4):
        chosen = choose_telling(rate, found, 10, rng=np.random.default_rng(seed))
        assert not ((chosen["press_temp"] >= 155) & (chosen["dwell"] >= 12)).any()
        assert chosen["press_temp"].max() <= 165
        assert chosen["dwell"].min() >= 9
        assert set(chosen["film"]) <= {"hot", "cold"}


def test_where_no_outcome_changes_the_chance_coupons_lie_where_draws_have_their_best(two: Study) -> None:
    # a wanted rate that no draw reaches anywhere
    hopeless = Study("s", two.factors, doe.Spec(pass_rate=0.9999, hand_min=None))
    rate, found = _found(hopeless, 10)
    assert found.best.max() < 0.9999
    chosen = choose_telling(rate, found, 6, rng=np.random.default_rng(0))
    assert len(chosen) == 6
    assert not chosen.duplicated().all()


def test_chosen_coupons_are_expected_to_help_more_than_coupons_anywhere(two: Study) -> None:
    rate, found = _found(two, 10)
    draws = rate.surfaces.window
    reached = (rate.draws(_goals(rate, found, draws), nodes=16) >= 0.9).astype(float)
    chosen = choose_telling(rate, found, 1, rng=np.random.default_rng(0))
    rng = np.random.default_rng(1)
    anywhere = pd.DataFrame({f.name: rng.uniform(f.low, f.high, 60) for f in two.factors})
    ways = np.full((1, draws.count), 1 / draws.count)
    best = _expected(ways, _outcomes(rate, chosen, draws), reached)[0]
    others = _expected(ways, _outcomes(rate, anywhere, draws), reached)
    assert best > np.quantile(others, 0.9)
