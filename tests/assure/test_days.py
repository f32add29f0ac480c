"""When first articles put a recipe in doubt: exact error rates beside simulated ones, and the run's arithmetic."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.assure.days import FALSE_ALARM, HORIZON, MOST_PRINTS, TWICE, _chance, day_rule, judge_glances, scores


@pytest.mark.parametrize("promised", [0.8, 0.9, 0.95, 0.97, 0.99])
def test_a_recipe_that_keeps_its_promise_is_seldom_put_in_doubt_and_a_bad_one_mostly(promised: float) -> None:
    rule = day_rule(promised)
    assert rule.wrong <= FALSE_ALARM
    assert rule.found >= 0.7
    lower = max(_chance(rule.promised, rule.up, rule.limit - 1, n) for n in range(1, MOST_PRINTS + 1))
    assert lower > FALSE_ALARM  # a lower limit would be wrong more often


@pytest.mark.parametrize("prints", [1, 2, 3])
@pytest.mark.parametrize("rate", [0.95, 0.80])
def test_the_exact_chance_is_what_simulated_runs_come_to(prints: int, rate: float) -> None:
    rule, draw, runs = day_rule(0.95), random.Random(7), 20_000
    hits = 0
    for _ in range(runs):
        run = [(prints, sum(draw.random() > rate for _ in range(prints))) for _ in range(HORIZON // prints)]
        hits += max(scores(rule, run)) >= rule.limit
    exact = _chance(rate, rule.up, rule.limit, prints)
    # four standard errors: fails once in 16,000 by chance
    assert hits / runs == pytest.approx(exact, abs=4 * (exact * (1 - exact) / runs) ** 0.5)


@given(run=st.lists(st.tuples(st.integers(1, 3), st.integers(0, 3)).filter(lambda a: a[1] <= a[0]), max_size=30))
def test_one_more_failure_never_lowers_a_score(run: list[tuple[int, int]]) -> None:
    rule = day_rule(0.9)
    worse = [(prints, min(prints, failed + 1)) for prints, failed in run]
    assert all(a <= b for a, b in zip(scores(rule, run), scores(rule, worse), strict=True))


def test_two_glances_in_a_row_to_the_same_side_or_one_twice_as_far_are_a_drift() -> None:
    assert judge_glances([], 3) == ""
    assert judge_glances([2.9], 3) == ""
    assert judge_glances([3.1], 3) == "glance"
    assert judge_glances([3.1, 3.1], 3) == "drift"
    assert judge_glances([3.1, -3.1], 3) == "glance"
    assert judge_glances([-6.1], 3) == "drift"
    assert judge_glances([9.0, 0.0], 3) == ""
    assert pytest.approx(2 * 0.02275**2, rel=1e-3) == TWICE
