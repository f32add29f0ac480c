"""The reasons behind an answer: they agree with fitting again, and with what was said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests_shared import known_coupons

import doe
from doe.domain.factors import usual_factor
from doe.domain.study import Study
from doe.setpoint import RobustRate, Why, explain_answer
from doe.surfaces import Earlier, Surfaces

DRAWS = 1200


@pytest.fixture(scope="module")
def study() -> Study:
    """Two factors, so that many fits take little time."""
    return Study("two", tuple(usual_factor(n) for n in ("press_temp", "dwell")), doe.Spec(pass_rate=0.9))


@pytest.fixture(scope="module")
def named(study: Study) -> pd.DataFrame:
    return known_coupons(study, 20, seed=3).assign(coupon=[f"R1-{i + 1:02d}" for i in range(20)])


@pytest.fixture(scope="module")
def surfaces(study: Study, named: pd.DataFrame) -> Surfaces:
    return doe.fit(study, named, seed=7, particles=DRAWS)


@pytest.fixture(scope="module")
def answer(study: Study, surfaces: Surfaces) -> doe.Answer:
    return doe.recommend(study, surfaces, seed=7)


@pytest.fixture(scope="module")
def why(study: Study, surfaces: Surfaces, answer: doe.Answer) -> Why:
    return explain_answer(study, surfaces, answer)


def _rates(study: Study, frame: pd.DataFrame, answer: doe.Answer) -> np.ndarray:
    surfaces = doe.fit(study, frame, seed=1, particles=DRAWS)
    return RobustRate(study, surfaces).draws(pd.DataFrame([answer.setpoint]), nodes=64)[:, 0]


def test_now_is_what_the_answer_says(why: Why, answer: doe.Answer) -> None:
    assert why.now.rate == pytest.approx(answer.pass_rate)
    assert why.now.rate_low == pytest.approx(answer.pass_rate_low)
    assert why.now.p_target == pytest.approx(answer.p_target)
    assert why.now.verdict == answer.verdict
    assert why.draws == DRAWS


def test_leaving_a_coupon_out_agrees_with_fitting_without_it(
    study: Study, named: pd.DataFrame, answer: doe.Answer, why: Why
) -> None:
    # the coupon that matters most and one in the middle; their hand-feel goes with them. Offsets of people are not
    # estimated again, and both sides are noisy: a mean of 1200 draws has a standard error of 0.004, a bound of 0.015
    for c in (why.coupons[0], why.coupons[10]):
        rates = _rates(study, named[named["coupon"] != c.coupon], answer)
        assert c.left_out.rate == pytest.approx(rates.mean(), abs=0.03)
        assert c.left_out.rate_low == pytest.approx(np.quantile(rates, 0.1), abs=0.08)
        assert c.rate_change == pytest.approx(why.now.rate - c.left_out.rate)
        assert c.low_change == pytest.approx(why.now.rate_low - c.left_out.rate_low)


def test_turning_a_result_round_agrees_with_fitting_the_turned_one(
    study: Study, named: pd.DataFrame, answer: doe.Answer, why: Why
) -> None:
    passed = next(c for c in why.coupons if c.passed and c.turned.reliable)
    failed = next(c for c in why.coupons if not c.passed and c.turned.reliable)
    for c in (passed, failed):
        frame = named.copy()
        row = frame["coupon"] == c.coupon
        frame.loc[row, "passed"] = not c.passed
        frame.loc[row, "side"] = "unknown" if c.passed else ""
        frame.loc[row, ["hand_ana", "hand_ben"]] = np.nan
        rates = _rates(study, frame, answer)
        assert c.turned.rate == pytest.approx(rates.mean(), abs=0.03)
        assert c.turned.rate_low == pytest.approx(np.quantile(rates, 0.1), abs=0.08)


def test_one_more_coupon_agrees_with_fitting_one_more(
    study: Study, named: pd.DataFrame, answer: doe.Answer, why: Why
) -> None:
    here = why.one_more[0]
    assert here.place == "setpoint"
    assert here.settings == dict(answer.setpoint)
    for passed, standing in ((True, here.after_pass), (False, here.after_fail)):
        end = {"passed": passed, "side": "" if passed else "unknown", "cure_batch": "new", "press_batch": "new"}
        extra = pd.DataFrame([{**answer.setpoint, "coupon": "more", **end}])
        rates = _rates(study, pd.concat([named, extra], ignore_index=True), answer)
        assert standing.rate == pytest.approx(rates.mean(), abs=0.04)
    # the chances of the two ends, weighted, give back what is expected now
    mixed = here.p_pass * here.after_pass.rate + (1 - here.p_pass) * here.after_fail.rate
    assert mixed == pytest.approx(why.now.rate, abs=0.002)


def test_counting_the_priors_otherwise_gives_the_verdict_of_the_moved_numbers(
    study: Study, surfaces: Surfaces, answer: doe.Answer, why: Why
) -> None:
    assert len(why.prior_verdicts) == 2
    # a bar for ready at the very expected rate: a hair less of it and the verdict turns
    every = why.priors[0]
    assert abs(every.rate) > 1e-4
    edge = replace(study, spec=replace(study.spec, pass_rate=why.now.rate))
    turned = explain_answer(edge, surfaces, answer)
    halved, doubled = turned.prior_verdicts
    lower = halved if every.rate > 0 else doubled
    assert turned.now.verdict == "ready"
    assert lower != "ready"


def test_coupons_stand_in_the_order_of_what_they_do_and_each_once(why: Why, named: pd.DataFrame) -> None:
    moved = [abs(c.low_change) for c in why.coupons]
    assert moved == sorted(moved, reverse=True)
    assert sorted(c.coupon for c in why.coupons) == sorted(named["coupon"])
    results = dict(zip(named["coupon"], zip(named["passed"], named["side"], strict=True), strict=True))
    assert all((c.passed, c.side) == results[c.coupon] for c in why.coupons)


def test_a_pass_beside_the_setpoint_raises_and_its_failure_would_lower(why: Why) -> None:
    passed = [c for c in why.coupons if c.passed]
    assert np.mean([c.rate_change for c in passed]) > 0
    assert np.mean([c.turned.rate - why.now.rate for c in passed]) < 0


def test_before_any_coupon_less_was_known(study: Study, surfaces: Surfaces, answer: doe.Answer, why: Why) -> None:
    assert why.before is not None
    assert why.before.rate_low < why.now.rate_low
    again = explain_answer(study, surfaces, answer)
    assert again.before == why.before


def test_what_was_learned_names_every_factor_and_nothing_is_negative(study: Study, why: Why) -> None:
    for quantity in ("place", "steepness"):
        assert [x.factor for x in why.learned if x.quantity == quantity] == list(study.factor_names)
    assert all(0 < x.left < 1.3 for x in why.learned)
    many = doe.fit(study, known_coupons(study, 90, seed=5), seed=1, particles=200)
    after = explain_answer(study, many, doe.recommend(study, many))
    for few, more in zip(why.learned, after.learned, strict=True):
        if few.quantity == "place":
            assert more.left < few.left


def test_next_coupons_are_told_apart_by_what_they_would_do(study: Study, named: pd.DataFrame) -> None:
    strict = replace(study, spec=doe.Spec(pass_rate=0.99))
    surfaces = doe.fit(strict, named, seed=2, particles=300)
    answer = doe.recommend(strict, surfaces, seed=2)
    assert answer.verdict == "more coupons"
    found = explain_answer(strict, surfaces, answer).one_more
    assert [o.place for o in found] == ["setpoint", *["next"] * len(answer.next_coupons)]
    assert [o.settings for o in found[1:]] == answer.next_coupons.to_dict("records")
    for o in found:
        assert o.after_fail.rate <= o.after_pass.rate
        assert 0 < o.p_pass < 1
        assert o.low_spread >= 0


def test_earlier_coupons_have_their_say_by_their_discount(study: Study, named: pd.DataFrame) -> None:
    older = known_coupons(study, 10, seed=4).assign(coupon=[f"E-{i}" for i in range(10)])
    surfaces = doe.fit(study, named, seed=1, particles=300, earlier=Earlier(older, 0.01))
    found = explain_answer(study, surfaces, doe.recommend(study, surfaces, seed=1)).coupons
    before = [c for c in found if c.earlier]
    assert [c.coupon for c in before if not c.coupon.startswith("E-")] == []
    assert len(before) == 10
    # at a hundredth of a coupon each, none of them moves anything
    assert max(abs(c.rate_change) for c in before) < 0.005
    assert max(abs(c.turned.rate - c.left_out.rate) for c in before) < 0.01


@pytest.mark.parametrize("change", ["all pass", "all fail", "one coupon", "no hand-feel", "one factor still"])
def test_odd_results_are_explained_too(study: Study, named: pd.DataFrame, change: str) -> None:
    frame = {
        "all pass": named.assign(passed=True, side=""),
        "all fail": named.assign(passed=False, side="under", hand_ana=np.nan, hand_ben=np.nan),
        "one coupon": named.head(1),
        "no hand-feel": named.drop(columns=["hand_ana", "hand_ben"]),
        "one factor still": named.assign(dwell=12.0),
    }[change]
    surfaces = doe.fit(study, frame, seed=1, particles=200)
    found = explain_answer(study, surfaces, doe.recommend(study, surfaces, seed=1))
    assert len(found.coupons) == len(frame)
    for c in found.coupons:
        for s in (c.left_out, c.turned):
            assert 0 <= s.rate_low <= s.rate + 0.2 <= 1.2
            assert np.isfinite([s.rate, s.rate_low, s.p_target, s.effective]).all()


def test_surfaces_without_their_model_cannot_be_explained(study: Study, surfaces: Surfaces, answer: doe.Answer) -> None:
    with pytest.raises(ValueError, match="carry no model"):
        explain_answer(study, replace(surfaces, model=None), answer)
