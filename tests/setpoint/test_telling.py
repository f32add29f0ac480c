"""What a coupon would tell: chances of its outcomes, and what the then best decision is worth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import spearmanr, t

import doe
from doe.domain.factors import usual_factor
from doe.domain.study import Study
from doe.setpoint.chances import share_of_draws
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import Found, find_setpoint
from doe.setpoint.telling import DecisionWorth, expected_worth, follow, outcome_chances, t_below
from doe.setpoint.verdict import reach_threshold
from tests.shared import known_coupons


def _found(study: Study, coupons: pd.DataFrame) -> tuple[RobustRate, Found]:
    rate = RobustRate(study, doe.fit(study, coupons, seed=1, particles=200))
    return rate, find_setpoint(rate, rng=np.random.default_rng(1))


@pytest.fixture(scope="module")
def two() -> Study:
    return Study("two", tuple(usual_factor(n) for n in ("press_temp", "dwell")), doe.Spec(pass_rate=0.9, hand_min=3.5))


def _anywhere(study: Study, count: int) -> pd.DataFrame:
    rng = np.random.default_rng(1)
    return pd.DataFrame({f.name: rng.uniform(f.low, f.high, count) for f in study.factors})


def test_the_expected_worth_is_that_of_a_loop_over_ways_outcomes_and_decisions() -> None:
    rng = np.random.default_rng(0)
    ways = rng.dirichlet(np.ones(7), 3)
    passes = rng.random((7, 4))
    chance = np.stack([passes, 0.3 * (1 - passes), 0.7 * (1 - passes)])
    gain = rng.normal(size=(7, 5))
    for c in range(4):
        total = 0.0
        for weights in ways:
            for outcome in chance[:, :, c]:
                p = float(weights @ outcome)  # chance of this outcome
                after = weights * outcome / p
                total += p * max(float(after @ gain[:, g]) for g in range(5)) / len(ways)
        assert expected_worth(ways, chance, gain)[c] == pytest.approx(total)


def test_looking_never_lowers_the_expected_worth_and_a_coupon_that_tells_nothing_leaves_it() -> None:
    rng = np.random.default_rng(1)
    ways, gain = rng.dirichlet(np.ones(50), 4), (rng.random((50, 6)) < 0.4).astype(float)
    now = (ways @ gain).max(axis=1).mean()
    passes = rng.random((50, 20))
    passes[:, 0] = 0.7  # every draw says the same of this coupon
    value = expected_worth(ways, np.stack([passes, 1 - passes]), gain)
    assert (value >= now - 1e-12).all()
    assert (value > now + 1e-6).any()
    assert value[0] == pytest.approx(now)
    # a coupon that ends as a setting is right tells all there is: right where it is, and nothing lost where it is not
    right = gain[:, :1]
    told = expected_worth(ways, np.stack([right, 1 - right]), np.column_stack([right, 1 - right]))[0]
    assert told == pytest.approx(1.0)


def test_ways_follow_outcomes_as_often_as_they_are_likely() -> None:
    rng = np.random.default_rng(2)
    passes = np.array([0.9, 0.2])
    ways = np.full((4000, 2), 0.5)
    after = follow(ways, np.stack([passes, 1 - passes]), rng)
    passed = after[:, 0] > 0.5  # the first draw is likelier after a pass
    assert passed.mean() == pytest.approx(0.55, abs=0.005)  # points are spread evenly, so nearly exact
    assert after[passed][0] == pytest.approx([0.9 / 1.1, 0.2 / 1.1])
    assert after.mean(axis=0) == pytest.approx([0.5, 0.5], abs=0.005)


def test_students_t_with_four_degrees_of_freedom() -> None:
    x = np.linspace(-9, 9, 37)
    assert t_below(x) == pytest.approx(t.cdf(x, 4), abs=1e-12)


def test_outcomes_are_failures_on_either_side_and_passes_by_hand_feel(two: Study) -> None:
    rate, _ = _found(two, known_coupons(two, 14, seed=2))
    draws, frame = rate.surfaces.draws, _anywhere(two, 40)
    chance = outcome_chances(rate, frame, draws)
    assert chance.shape == (5, draws.count, 40)
    assert (chance >= 0).all()
    assert chance.sum(axis=0) == pytest.approx(np.ones((draws.count, 40)))
    assert chance[2:].sum(axis=0) == pytest.approx(rate.draws(frame, nodes=16, hand=False))
    # scores by thirds: over all draws each third is about as likely as the others
    thirds = chance[2:].sum(axis=1) / chance[2:].sum(axis=(0, 1))
    assert thirds.mean(axis=1) == pytest.approx([1 / 3] * 3, abs=0.06)
    # a draw that expects a softer hand expects the high third more
    row = int(draws.mean_hand(rate.surfaces.scaling.z(frame)).std(axis=0).argmax())
    hand = draws.mean_hand(rate.surfaces.scaling.z(frame.iloc[[row]]))[:, 0]
    high = chance[4, :, row] / chance[2:, :, row].sum(axis=0)
    assert spearmanr(hand, high).statistic > 0.8


def test_without_hand_feel_in_the_spec_or_the_scores_a_pass_is_a_pass(two: Study) -> None:
    coupons = known_coupons(two, 14, seed=2)
    rate, _ = _found(two, coupons)
    plain = RobustRate(replace(two, spec=doe.Spec(pass_rate=0.9, hand_min=None)), rate.surfaces)
    frame = _anywhere(two, 5)
    assert len(outcome_chances(plain, frame, rate.surfaces.draws)) == 3
    unscored, _ = _found(two, coupons.drop(columns=["hand_ana", "hand_ben"]))
    assert len(outcome_chances(unscored, frame, unscored.surfaces.draws)) == 3


def test_not_reachable_is_worth_saying_where_its_chance_passes_the_threshold(two: Study) -> None:
    rate, found = _found(two, known_coupons(two, 12, seed=2, top=2.0))
    for later in (2, 20):
        worth = DecisionWorth.of(rate, found, later)
        limit = share_of_draws(rate.study, reach_threshold(rate.study, 12 + later), "any reaches")
        reached, none = worth.gain[:, :-1], worth.gain[:, -1]
        assert set(np.unique(reached)) <= {0.0, 1.0}
        somewhere = none < 1
        assert 0 < somewhere.mean() < 1
        assert somewhere[reached.any(axis=1)].all()
        assert none[somewhere] == pytest.approx(1 - 1 / limit)
        # the worth of saying it is nothing where the chance of a setting that reaches is the threshold itself
        assert limit * none.min() + (1 - limit) * 1 == pytest.approx(0)
