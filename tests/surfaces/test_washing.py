"""Coupons that still wait for a wash are counted as waiting, and symptoms as what they point to."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import doe
from doe.domain.errors import InputErrors
from doe.domain.results import points_of, read_results
from doe.surfaces.outcomes import Outcomes, expit
from doe.surfaces.washing import LATE_PRIOR, late_share, survives


@pytest.fixture
def study() -> doe.Study:
    """Two factors, no hand-feel."""
    return doe.Study(
        name="washing",
        factors=(
            doe.Factor("press_temp", "degC", low=140, high=170, setting_sd=4, hard_to_change=True),
            doe.Factor("dwell", "s", low=8, high=20, setting_sd=1, scale="log"),
        ),
        spec=doe.Spec(pass_rate=0.95, hand_min=None),
    )


@pytest.fixture
def results() -> pd.DataFrame:
    """Sixteen coupons: those in the middle pass, the corners fail."""
    grid = [(t, d) for t in (140, 150, 160, 170) for d in (8, 11, 15, 20)]
    frame = pd.DataFrame(grid, columns=["press_temp", "dwell"], dtype=float)
    frame["passed"] = [t in (150, 160) and d in (11, 15) for t, d in grid]
    frame["side"] = [
        "" if p else "under" if t < 155 else "over" for p, (t, _) in zip(frame["passed"], grid, strict=True)
    ]
    return frame


def test_a_wash_that_waits_lowers_the_rate_and_one_that_held_does_not(study: doe.Study, results: pd.DataFrame) -> None:
    def rate(wash: str) -> tuple[float, list[str]]:
        told = results.assign(wash=np.where(results["passed"], wash, ""))
        answer = doe.recommend(study, doe.fit(study, told, seed=3), seed=3)
        return answer.pass_rate, [fact.code for fact in answer.limits_on_certainty]

    (plain, said), (held, said_held), (waiting, said_waiting) = rate(""), rate("held"), rate("waiting")
    assert held == plain
    assert waiting < plain - 0.02
    assert "unwashed" in said_waiting
    assert "unwashed" not in said
    assert "unwashed" not in said_held


def test_failures_at_the_press_count_as_far_as_their_like_was_washed(study: doe.Study, results: pd.DataFrame) -> None:
    def share(**wash: str) -> float:
        at = {int(row[1:]): state for row, state in wash.items()}
        told = results.assign(wash=[at.get(i, "waiting" if p else "") for i, p in enumerate(results["passed"])])
        return late_share(read_results(study, told))

    late, early = LATE_PRIOR
    assert share() == pytest.approx(late / (late + early))  # nothing washed: the guess alone
    half = share(r5="held", r6="held")
    assert half == pytest.approx(late / (late + early + 12 / 2))  # half of the passes, so half of the failures
    assert share(r5="held", r0="failed") > half
    assert survives(read_results(study, results), 1.0) == 1


def test_what_goes_with_no_result_is_refused(study: doe.Study, results: pd.DataFrame) -> None:
    with pytest.raises(InputErrors, match=r"results, row 1, wash: .*'waiting'.*of a failure"):
        read_results(study, results.assign(wash="waiting"))


def test_slopes_follow_the_chances_where_washes_wait_and_symptoms_point_several_ways() -> None:
    rng = np.random.default_rng(4)
    passed = np.array([True, True, True, False, False, False])
    points = points_of(np.array(["", "", "", "under", "unknown", "over"]))
    points[3] = 0.6, 0.1, 0.3
    late = np.array([0.0, 0.3, 0.5, 0.0, 0.0, 0.0])
    outcomes = Outcomes(passed, points, np.array(["", "", "clean", "", "", "slight"]), late)
    eta, over, width = rng.normal(size=(3, 6)), rng.normal(size=(3, 6)), np.exp(rng.normal(size=(3, 6)))
    lapse, wrong, weights = np.full(3, 0.05), np.full(3, 0.1), np.ones(6)
    found = outcomes.slopes(eta, over, lapse, wrong, width, weights)

    def chance(
        eta: np.ndarray = eta, over: np.ndarray = over, lapse: np.ndarray = lapse, wrong: np.ndarray = wrong
    ) -> np.ndarray:
        return outcomes.log_chance(eta, over, lapse, wrong, width)

    step = 1e-6
    np.testing.assert_allclose(found.value, chance())
    for slope, moved in (
        (found.logit, chance(eta=eta + step) - chance(eta=eta - step)),
        (found.over, chance(over=over + step) - chance(over=over - step)),
        (found.lapse, (chance(lapse=lapse + step) - chance(lapse=lapse - step)).sum(axis=1)),
        (found.wrong, (chance(wrong=wrong + step) - chance(wrong=wrong - step)).sum(axis=1)),
    ):
        np.testing.assert_allclose(slope, moved / (2 * step), rtol=1e-5, atol=1e-8)
    waits = (1 - lapse[0]) * (expit(eta[0, 1]) + 0.3 * expit(-eta[0, 1]))
    assert np.exp(found.value[0, 1]) == pytest.approx(waits)
