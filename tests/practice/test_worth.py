"""What a number of coupons buys: counted right, on lines of the study's own kind."""

from __future__ import annotations

import numpy as np
import pytest

import doe
from doe.domain.study import Study
from doe.practice.population.draw import FAMILIES, draw_line
from doe.practice.worth import (
    BAD_BY,
    FIRST_SEED,
    SIZES,
    Share,
    Tried,
    lines_to_try,
    possible_sizes,
    try_line,
    worth,
)


@pytest.fixture(scope="module")
def two() -> Study:
    return Study("two", tuple(doe.usual_factor(n) for n in ("press_temp", "dwell")), doe.Spec(pass_rate=0.95))


def test_a_trial_is_the_whole_path_from_plan_to_answer(two: Study) -> None:
    (tried,) = try_line(two, "bowl", 3, [12], particles=100)
    line = draw_line("bowl", 3, two)
    plan = doe.make_plan(two, coupons=12, seed=3)
    surfaces = doe.fit(two, line.run(plan.coupons, 3), seed=3, particles=100)
    answer = doe.recommend(two, surfaces, seed=3)
    assert tried.verdict == answer.verdict
    assert 0 < tried.true <= line.best().robust_pass + 0.01


def test_shares_are_counted_over_the_lines_they_are_about(two: Study) -> None:
    tried = [
        Tried("bowl", 1, 12, "ready", 0.99, 0.99),
        Tried("slabs", 2, 12, "ready", 0.79, 0.98),
        Tried("layers", 3, 12, "more coupons", 0.90, 0.97),
        Tried("linked", 4, 12, "not reachable", 0.70, 0.97),
        Tried("doses", 5, 12, "not reachable", 0.30, 0.40),
        Tried("doses", 6, 12, "ready", 0.50, 0.60),
        Tried("bowl", 1, 20, "ready", 0.95, 0.99),
    ]
    small, large = worth(two, tried, {12: 3.0, 20: 4.5})
    assert (small.coupons, small.hours, large.coupons, large.hours) == (12, 3.0, 20, 4.5)
    assert small.ready == Share(2, 4)
    assert small.good == Share(1, 4)
    assert small.bad == Share(2, 4)  # 0.79 and 0.70 lie more than BAD_BY below 0.95; 0.90 does not
    assert small.ready_bad == Share(2, 3)  # of the three called ready: 0.79, and 0.50 on a line that cannot reach it
    assert small.given_up == Share(1, 4)
    assert small.found_out == Share(1, 2)
    assert large.good == Share(1, 1)  # reaching it exactly is reaching it
    assert large.found_out == Share(0, 0)
    assert BAD_BY == 0.15


def test_a_share_knows_its_standard_error_and_is_never_certain() -> None:
    assert Share(0, 0).value == 0.0
    assert Share(0, 40).error > 0
    assert Share(40, 40).error > 0
    rng = np.random.default_rng(0)
    drawn = rng.binomial(40, 0.4, 20_000)
    errors = np.mean([Share(int(k), 40).error for k in drawn[:2000]])
    assert errors == pytest.approx((drawn / 40).std(), rel=0.05)


def test_a_longer_list_of_lines_starts_with_the_shorter_one() -> None:
    assert lines_to_try(20)[:9] == lines_to_try(9)
    assert {family for family, _ in lines_to_try()} == set(FAMILIES)
    assert min(seed for _, seed in lines_to_try()) == FIRST_SEED > 30_000  # apart from every other set of seeds


def test_sizes_too_small_for_many_factors_are_left_out(two: Study) -> None:
    assert list(possible_sizes(two)) == list(SIZES)
    hours = list(possible_sizes(two).values())
    assert hours == sorted(hours)
    names = ("cure_temp", "cure_time", "press_temp", "dwell", "pressure", "powder_amount")
    six = Study("six", tuple(doe.usual_factor(n) for n in names))
    assert set(possible_sizes(six, (4, 28))) == {28}


def test_a_family_of_which_no_line_fits_the_study_is_passed_over(two: Study, monkeypatch: pytest.MonkeyPatch) -> None:
    def none(family: str, seed: int, study: Study) -> None:
        raise doe.InputError("study", f"no {family} line", "ranges that some line can meet", "Widen them.")

    monkeypatch.setattr("doe.practice.worth.draw_line", none)
    assert try_line(two, "layers", 1, [12]) == ()
