"""A symptom is evidence of a side as far as the catalogue says; somebody's own word counts whole."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import doe
from doe.acts.study.symptom_points import with_points
from doe.domain.errors import InputErrors
from doe.domain.outcome import HANDLED_COLUMN, POINTED
from doe.domain.results import read_results
from doe.surfaces.outcomes import chances_seen
from doe.symptoms.catalogue import CATALOGUE, FAULTS, HANDLING, points_to, side_of


@pytest.fixture
def study() -> doe.Study:
    """Two factors, no hand-feel."""
    factors = (
        doe.Factor("press_temp", "degC", low=140, high=170, setting_sd=4, hard_to_change=True),
        doe.Factor("dwell", "s", low=8, high=20, setting_sd=1, scale="log"),
    )
    return doe.Study(name="symptoms", factors=factors, spec=doe.Spec(pass_rate=0.95, hand_min=None))


def test_every_symptom_points_to_its_side_most_and_adds_up_to_one() -> None:
    for made in CATALOGUE:
        points, side = points_to([made.key]), side_of([made.key])
        if side == "unknown":
            assert points == (0, 0, 0)
            continue
        assert sum(points) == pytest.approx(1)
        assert points[("under", "over", "other").index(side)] == max(points)


def test_a_symptom_of_uneven_powder_too_is_no_pure_side() -> None:
    under, over, other = points_to(["patchy_transfer"])
    assert over == 0
    assert 0.1 < other < under
    # of two, the one that says more about their common side
    assert points_to(["patchy_transfer", "grainy_back"]) == points_to(["grainy_back"])


def test_what_somebody_says_against_the_symptom_counts_whole(study: doe.Study) -> None:
    results = pd.DataFrame(
        {
            "press_temp": [140.0, 140.0, 155.0, 170.0],
            "dwell": 12.0,
            "passed": [False, False, True, False],
            "symptom": ["patchy_transfer", "patchy_transfer", "", "film_lock"],
            "side": ["under", "other", "", "over"],
        }
    )
    points = read_results(study, with_points(results)).points
    np.testing.assert_allclose(points[0], points_to(["patchy_transfer"]))
    np.testing.assert_array_equal(points[1:3], [[0, 0, 1], [0, 0, 0]])
    np.testing.assert_allclose(points[3], points_to(["film_lock"]))


@pytest.mark.parametrize("key", ["patchy_transfer", "film_lock", "edge_lift_dry"])
def test_an_answer_about_handling_counts_and_none_leaves_everything_as_it_was(study: doe.Study, key: str) -> None:
    side = side_of([key])
    results = pd.DataFrame(
        {
            "press_temp": 150.0,
            "dwell": 12.0,
            "passed": False,
            "symptom": key,
            "side": [side, "other", side],
            HANDLED_COLUMN: ["yes", "no", ""],
        }
    )
    yes, no, not_asked = read_results(study, with_points(results)).points
    at = POINTED.index(side)
    before = read_results(study, with_points(results.drop(columns=HANDLED_COLUMN))).points
    np.testing.assert_array_equal(not_asked, before[2])
    np.testing.assert_array_equal(no, [0, 0, 1])
    assert yes.sum() == pytest.approx(1)
    assert yes[at] > not_asked[at] > no[at]
    # the heat sides keep their odds; what is left of the others is less by the faults of handling alone
    without = sum(f.per_hundred * f.shows().get(key, 0) for f in FAULTS if f.side == "other" and f.key not in HANDLING)
    whole = sum(f.per_hundred * f.shows().get(key, 0) for f in FAULTS if f.side == "other")
    assert yes[2] / yes[at] == pytest.approx(not_asked[2] / not_asked[at] * without / whole)
    # so it weighs more for its side against something that spoiled the coupon
    lapse, *heat = (chances_seen(np.array([yes, not_asked, no]))[:, i] for i in range(3))
    assert np.all(np.diff(heat[at] / lapse) < 0)
    both = yes[:2] > 0
    np.testing.assert_allclose(yes[:2][both] / yes[at], not_asked[:2][both] / not_asked[at])


def test_words_no_catalogue_knows_say_nothing_and_bad_numbers_are_named(study: doe.Study) -> None:
    results = pd.DataFrame(
        {"press_temp": [140.0], "dwell": [12.0], "passed": [False], "symptom": ["dull"], "side": ["under"]}
    )
    np.testing.assert_array_equal(read_results(study, with_points(results)).points, [[1, 0, 0]])
    told = results.assign(points_under=-1.0, points_over=float("inf"), points_other="much")
    with pytest.raises(InputErrors) as refused:
        read_results(study, told)
    assert all(f"points_{name}" in str(refused.value) for name in ("under", "over", "other"))


def test_a_stray_symptom_moves_the_peak_less_than_a_sure_side(study: doe.Study) -> None:
    temperatures = np.repeat([140.0, 147, 154, 161, 168], 4)
    good = temperatures > 143
    results = pd.DataFrame({"press_temp": temperatures, "dwell": np.tile([9.0, 12, 13, 18], 5), "passed": good})
    results = results.assign(symptom="", side=np.where(good, "", "under"))
    results.loc[10, ["passed", "symptom", "side"]] = [False, "film_lock", "over"]

    def share_over(frame: pd.DataFrame) -> float:
        at = pd.DataFrame({"press_temp": [154.0], "dwell": [12.0]})
        return float(doe.fit(study, frame, seed=1).predict(at)["p_over"].iloc[0])

    not_asked = share_over(with_points(results))
    assert not_asked < share_over(results.drop(columns="symptom"))
    assert share_over(with_points(results.assign(**{HANDLED_COLUMN: ""}))) == not_asked


def test_failures_at_the_edge_are_of_that_side_with_a_yes_and_of_none_with_a_no(study: doe.Study) -> None:
    temperatures = np.repeat([140.0, 147, 154, 161, 168], 4)
    bad = temperatures > 165
    results = pd.DataFrame({"press_temp": temperatures, "dwell": np.tile([9.0, 12, 13, 18], 5), "passed": ~bad})
    results = results.assign(symptom=np.where(bad, "film_lock", ""), side=np.where(bad, "over", ""))

    def share_over(answer: str, side: str) -> float:
        told = results.assign(**{HANDLED_COLUMN: np.where(bad, answer, ""), "side": np.where(bad, side, "")})
        at = pd.DataFrame({"press_temp": [168.0], "dwell": [12.0]})
        return float(doe.fit(study, with_points(told), seed=1).predict(at)["p_over"].iloc[0])

    assert share_over("yes", "over") > 0.5
    assert share_over("no", "other") < 0.3
