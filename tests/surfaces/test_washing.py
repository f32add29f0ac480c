"""Coupons that still wait for a wash are counted as waiting, and symptoms as what they point to."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import beta

import doe
from doe.domain.errors import InputErrors
from doe.domain.results import points_of, read_results
from doe.domain.spec import Check
from doe.surfaces.outcomes import Outcomes, expit
from doe.surfaces.shop import ShopHistory
from doe.surfaces.washing import LATE_PRIOR, MOST_EARLIER_WASHES, WASH_DISCOUNT, Washes, late_share, survives, to_come


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


def test_nothing_is_ready_before_its_last_check(study: doe.Study, results: pd.DataFrame) -> None:
    # Python holds the word back by itself, from the checks of the frame or from what it says of washes.
    passed = results["passed"].to_numpy()
    looked = results.assign(check_release=results["passed"], check_stretch=True, check_wash_1=True)
    wash = np.where(passed, True, None)
    first = np.flatnonzero(passed)[0]

    def answer(told: pd.DataFrame) -> tuple[doe.Answer, list[str]]:
        found = doe.recommend(easy, doe.fit(easy, told, seed=3, particles=150), seed=3)
        return found, [fact.code for fact in found.limits_on_certainty if not isinstance(fact, str)]

    easy = replace(study, spec=replace(study.spec, pass_rate=0.6))
    ready, said = answer(looked.assign(check_wash_5=wash))
    assert ready.verdict == "ready"
    assert not {"unwashed", "unfinished"} & {*said}
    assert answer(results)[0].verdict == "ready"  # nothing is said of single checks
    one = np.where(np.arange(len(results)) == first, None, wash)
    for told, why in (
        (looked.assign(check_wash_5=one), "unwashed"),
        (looked, "unwashed"),  # nobody scored the last wash of any
        (results.assign(wash=["waiting" if i == first else "" for i in range(len(results))]), "unwashed"),
        (looked.assign(check_wash_5=wash, check_stretch=one), "unfinished"),
    ):
        held, said = answer(told)
        assert held.verdict == "more coupons"
        if told is not looked:  # no coupon is asked for where its rate would do: those that are there have to be scored
            assert held.next_coupons.empty
        assert why in said
        assert "budget_used" not in said
    failed = looked.assign(check_wash_5=np.where(passed, True, None), check_stretch=np.where(passed, True, None))
    assert answer(failed)[0].verdict == "ready"  # what failed is not looked at further


def test_what_washes_may_do_is_in_doubt_and_the_bound_knows_it(study: doe.Study, results: pd.DataFrame) -> None:
    # all pass at the press: that share of failures only a wash would show is hardly known, and so is the rate
    told = results.assign(passed=True, side="")
    held, waiting = (
        doe.recommend(study, doe.fit(study, told.assign(wash=wash), seed=3, particles=300), seed=3)
        for wash in ("held", "waiting")
    )
    assert held.pass_rate_low > 0.95
    assert held.assured_window is not None
    assert waiting.pass_rate_low < 0.93  # a share taken as known left it at 0.95
    assert waiting.assured_window is None


def test_no_window_is_assured_while_a_check_is_to_come(study: doe.Study, results: pd.DataFrame) -> None:
    easy = replace(study, spec=replace(study.spec, pass_rate=0.8))
    all_passed = results.assign(passed=True, side="")
    for waits in (False, True):
        told = all_passed.assign(wash=["waiting" if waits and i == 5 else "" for i in range(len(results))])
        answer = doe.recommend(easy, doe.fit(easy, told, seed=3, particles=150), seed=3)
        assert answer.pass_rate_low > 0.8
        assert (answer.assured_window is None) == waits


def test_a_check_that_nobody_scored_is_no_pass_in_the_rate(study: doe.Study, results: pd.DataFrame) -> None:
    spec = doe.Spec(pass_rate=0.9, hand_min=None, checks=(Check("release", ""), Check("stretch", "")))
    asked = replace(study, spec=spec)
    told = results.assign(check_release=results["passed"], check_stretch=np.where(results["passed"], True, None))
    scored, not_scored = (
        doe.recommend(asked, doe.fit(asked, frame, seed=3, particles=300), seed=3)
        for frame in (told, told.assign(check_stretch=None))
    )
    assert not_scored.pass_rate < scored.pass_rate - 0.02


def test_a_coupon_that_waits_for_the_press_and_for_a_wash_may_fail_by_both(
    study: doe.Study, results: pd.DataFrame
) -> None:
    passed = results["passed"].to_numpy()
    wash, done = np.where(passed, None, False), np.where(passed, True, False)
    told = results.assign(check_release=passed, check_stretch=done, check_wash_1=wash, check_wash_5=wash)
    told = told.assign(wash=np.where(passed, "waiting", ""))
    open_too = told.assign(check_stretch=np.where(passed, None, False))
    by_wash, by_both = (to_come(read_results(study, frame)) for frame in (told, open_too))
    assert (by_wash.kinds, by_both.kinds) == (1, 2)
    (a,) = by_wash.share
    b = LATE_PRIOR[0] / sum(LATE_PRIOR)
    np.testing.assert_array_equal(by_wash.mean[passed], a)
    np.testing.assert_allclose(by_both.mean[passed], 1 - (1 - a) * (1 - b))
    assert not by_both.mean[~passed].any()
    xi = np.random.default_rng(2).standard_normal((5, 2))
    shares = by_both.shares(xi)
    late = 1 - (1 - shares[:, 0]) * (1 - shares[:, 1])
    np.testing.assert_allclose(by_both.late(xi)[:, passed], np.repeat(late[:, None], passed.sum(), axis=1))
    along = np.random.default_rng(3).standard_normal((5, len(passed)))
    for j in range(2):
        step = 1e-6 * np.eye(2)[j]
        moved = ((by_both.late(xi + step) - by_both.late(xi - step)) * along).sum(axis=1) / 2e-6
        np.testing.assert_allclose(by_both.slopes(xi, along)[:, j], moved, rtol=1e-6)

    def answer(frame: pd.DataFrame) -> doe.Answer:
        return doe.recommend(study, doe.fit(study, frame, seed=3), seed=3)

    one, two = answer(told), answer(open_too)
    assert two.pass_rate < one.pass_rate - 0.01
    assert two.pass_rate_low < one.pass_rate_low - 0.01
    codes = [{fact.code: fact.values for fact in found.limits_on_certainty} for found in (one, two)]
    assert "unfinished" not in codes[0]
    assert {n: codes[1][n]["coupons"] for n in ("unwashed", "unfinished")} == dict.fromkeys(
        ("unwashed", "unfinished"), passed.sum()
    )


def test_a_look_after_hours_comes_late_as_a_wash_does(study: doe.Study, results: pd.DataFrame) -> None:
    checks = (Check("release", ""), Check("look", "", after_hours=24.0))
    asked = replace(study, spec=replace(study.spec, checks=checks))
    passed = results["passed"].to_numpy()
    told = results.assign(check_release=results["passed"], check_look=np.where(passed, True, None))
    assert {*read_results(asked, told).wash[passed]} == {"held"}
    assert {*read_results(asked, told.assign(check_look=None)).wash[passed]} == {"waiting"}


def test_a_share_in_doubt_has_the_spread_of_its_beta(study: doe.Study, results: pd.DataFrame) -> None:
    waiting = to_come(read_results(study, results.assign(wash=np.where(results["passed"], "waiting", ""))))
    assert waiting.kinds == 1
    share = waiting.shares(np.random.default_rng(1).standard_normal((20_000, 1)))
    exact = beta(*LATE_PRIOR)
    assert share.mean() == pytest.approx(exact.mean(), abs=0.02)
    assert share.std() == pytest.approx(exact.std(), abs=0.02)
    assert to_come(read_results(study, results)).kinds == 0


def test_checks_of_a_frame_that_nobody_can_read_are_refused(study: doe.Study, results: pd.DataFrame) -> None:
    with pytest.raises(InputErrors, match=r"results, row 1, check_release: .*'maybe'.*true or false"):
        read_results(study, results.assign(check_release="maybe"))
    with pytest.raises(InputErrors, match=r"results, row 6, wash: .*'failed'"):
        read_results(study, results.assign(check_release=True, check_wash_5=False))


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
    late = np.tile([0.0, 0.3, 0.5, 0.0, 0.0, 0.0], (3, 1))
    outcomes = Outcomes(passed, points, np.array(["", "", "clean", "", "", "slight"]), late[0] > 0)
    eta, over, width = rng.normal(size=(3, 6)), rng.normal(size=(3, 6)), np.exp(rng.normal(size=(3, 6)))
    lapse, wrong, weights = np.full(3, 0.05), np.full(3, 0.1), np.ones(6)
    found = outcomes.slopes(eta, over, lapse, wrong, width, late, weights)

    def chance(
        eta: np.ndarray = eta,
        over: np.ndarray = over,
        lapse: np.ndarray = lapse,
        wrong: np.ndarray = wrong,
        late: np.ndarray = late,
    ) -> np.ndarray:
        return outcomes.log_chance(eta, over, lapse, wrong, width, late)

    step = 1e-6
    np.testing.assert_allclose(found.value, chance())
    for slope, moved in (
        (found.logit, chance(eta=eta + step) - chance(eta=eta - step)),
        (found.late, (chance(late=late + step) - chance(late=late - step)) * (late > 0)),
        (found.over, chance(over=over + step) - chance(over=over - step)),
        (found.lapse, (chance(lapse=lapse + step) - chance(lapse=lapse - step)).sum(axis=1)),
        (found.wrong, (chance(wrong=wrong + step) - chance(wrong=wrong - step)).sum(axis=1)),
    ):
        np.testing.assert_allclose(slope, moved / (2 * step), rtol=1e-5, atol=1e-8)
    waits = (1 - lapse[0]) * (expit(eta[0, 1]) + 0.3 * expit(-eta[0, 1]))
    assert np.exp(found.value[0, 1]) == pytest.approx(waits)


def test_washes_of_earlier_studies_count_for_a_part_and_no_more_than_a_few_coupons(
    study: doe.Study, results: pd.DataFrame
) -> None:
    waiting = read_results(study, results.assign(wash=np.where(results["passed"], "waiting", "")))
    late, early = LATE_PRIOR
    few = Washes(held=20, failed=1, at_press=4.0)
    assert few.part == WASH_DISCOUNT
    assert late_share(waiting, few) == pytest.approx((late + 0.3) / (late + early + 0.3 * 5))
    many = Washes(held=500, failed=5, at_press=395.0)
    assert many.part * (many.failed + many.at_press) == pytest.approx(MOST_EARLIER_WASHES)
    assert late_share(waiting, many) < late_share(waiting, few) < late_share(waiting)
    assert late_share(waiting, Washes(held=30)) == late_share(waiting)  # survivors alone tell nothing of failures
    # 40 washed coupons of its own overrule the shop
    own = pd.concat([results] * 4, ignore_index=True)
    own = own.assign(wash=np.where(own["passed"], "held", np.where(own["side"] == "under", "failed", "")))
    assert late_share(read_results(study, own), many) > 0.3
    assert few + many == Washes(520, 6, 399.0)


def test_a_wash_to_come_is_read_by_what_the_shop_has_seen_and_that_is_said(
    study: doe.Study, results: pd.DataFrame
) -> None:
    washed = results.assign(wash=np.where(results["passed"], "held", ""))
    shop = doe.learn_shop([(study, washed), (study, washed)], seed=1)
    assert shop.washes == Washes(held=8, failed=0, at_press=24.0)
    told = results.assign(wash=np.where(results["passed"], "waiting", ""))
    rates, facts = [], []
    for lent in (None, ShopHistory(shop.studies, (), shop.washes)):
        answer = doe.recommend(study, doe.fit(study, told, seed=3, particles=200, shop=lent), seed=3)
        rates.append(answer.pass_rate)
        facts.append({fact.code: fact.values for fact in answer.limits_on_certainty if not isinstance(fact, str)})
    assert rates[1] > rates[0]  # nothing was ever lost in a wash here
    assert facts[1]["unwashed"]["value"] > facts[0]["unwashed"]["value"]
    assert "shop_washes" not in facts[0]
    assert facts[1]["shop_washes"] == {"coupons": 0, "of": 8, "value": 0.25}
