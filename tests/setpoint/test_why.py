"""The reasons behind an answer: they agree with fitting again, and with what was said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import doe
from doe.domain.factors import usual_factor
from doe.domain.study import Study
from doe.setpoint.chances import lower_hand, share_of_draws
from doe.setpoint.grounds import FitCoupons, _beyond, made_coupons
from doe.setpoint.robust import RobustRate
from doe.setpoint.why import Why, explain_answer
from doe.surfaces.contract import thinned_rows
from doe.surfaces.earlier import Earlier
from doe.surfaces.fitted import Surfaces
from tests.shared import known_coupons

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
    assert why.now.p_reachable == pytest.approx(answer.p_reachable)
    assert why.now.best == pytest.approx(answer.best_pass_rate)
    assert why.now.verdict == answer.verdict
    assert why.draws == DRAWS


def test_the_draws_asked_for_their_best_are_those_the_search_asked(surfaces: Surfaces) -> None:
    for count in (1, 7, 200, DRAWS, 2 * DRAWS):
        rows = thinned_rows(surfaces.draws.count, count)
        assert np.array_equal(surfaces.draws.thin(count).lapse, surfaces.draws.lapse[rows])


def _turned(frame: pd.DataFrame, coupon: str) -> pd.DataFrame:
    """Results with one of them the other way round, its side not named and its hand-feel gone."""
    row = frame["coupon"] == coupon
    passed = bool(frame.loc[row, "passed"].iloc[0])
    turned = frame.copy()
    turned.loc[row, "passed"] = not passed
    turned.loc[row, "side"] = "unknown" if passed else ""
    turned.loc[row, [c for c in frame.columns if c.startswith("hand_")]] = np.nan
    return turned


def test_a_turned_result_of_an_answer_not_reachable_agrees_with_fitting_it(study: Study) -> None:
    """What any setting reaches, and the verdict with it, moves as it does in a fit of the turned result."""
    strict = replace(study, spec=doe.Spec(pass_rate=0.9, hand_min=None))
    frame = known_coupons(strict, 20, seed=48, top=0.3).drop(columns=["hand_ana", "hand_ben"])
    frame["coupon"] = [f"R1-{i + 1:02d}" for i in range(len(frame))]
    surfaces = doe.fit(strict, frame, seed=7, particles=DRAWS)
    answer = doe.recommend(strict, surfaces, seed=7)
    assert answer.verdict == "not reachable"
    why = explain_answer(strict, surfaces, answer)
    ordered = sorted((c for c in why.coupons if c.turned.reliable), key=lambda c: c.turned.p_reachable)
    moved = []
    for c in (ordered[0], ordered[-1]):
        again = doe.fit(strict, _turned(frame, c.coupon), seed=3, particles=DRAWS)
        refit = doe.recommend(strict, again, seed=3)
        # 200 draws on either side: standard errors of 0.03 each
        turned, fitted = (share_of_draws(strict, p, "any reaches") for p in (c.turned.p_reachable, refit.p_reachable))
        assert turned == pytest.approx(fitted, abs=0.12)
        assert c.turned.best == pytest.approx(refit.best_pass_rate, abs=0.04)
        moved.append(refit)
    # and it moves by more than the noise, so that numbers left as they were would not do
    assert moved[1].p_reachable - moved[0].p_reachable > 0.2
    assert ordered[0].turned.firm
    assert ordered[-1].turned.verdict == moved[1].verdict == "more coupons"
    assert ordered[0].turned.verdict == moved[0].verdict == "not reachable"


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


def test_hand_feel_is_that_of_the_answer_and_agrees_with_fitting_without_a_coupon(
    study: Study, named: pd.DataFrame, answer: doe.Answer, why: Why
) -> None:
    assert why.hand is not None
    assert (why.hand.mean, why.hand.low, why.hand.high) == pytest.approx(
        (answer.hand, answer.hand_low, answer.hand_high)
    )
    assert why.hand.people == ("ana", "ben")
    assert sorted(c.coupon for c in why.hand.coupons) == sorted(named["coupon"][named["hand_ana"].notna()])
    moves = [abs(c.mean - why.hand.mean) for c in why.hand.coupons]
    assert moves == sorted(moves, reverse=True)
    most = why.hand.coupons[0]
    again = doe.fit(study, named[named["coupon"] != most.coupon], seed=1, particles=DRAWS)
    felt = again.hand_draws(pd.DataFrame([answer.setpoint]))
    assert felt is not None
    assert most.mean == pytest.approx(felt[:, 0].mean(), abs=0.03)
    assert most.low == pytest.approx(lower_hand(felt[:, 0].mean(), np.quantile(felt[:, 0], 0.1)), abs=0.07)
    assert most.high == pytest.approx(np.quantile(felt[:, 0], 0.9), abs=0.05)


def test_ends_of_the_window_name_the_coupons_that_failed_beyond_them(study: Study, named: pd.DataFrame) -> None:
    easy = replace(study, spec=doe.Spec(pass_rate=0.7, hand_min=None))
    surfaces = doe.fit(easy, named, seed=2, particles=300)
    answer = doe.recommend(easy, surfaces, seed=2)
    assert answer.window is not None
    ends = explain_answer(easy, surfaces, answer).ends
    assert [(e.factor, e.end) for e in ends] == [(n, e) for n in easy.factor_names for e in ("lower", "higher")]
    assert {"seen"} <= {e.reason for e in ends}
    for end in ends:
        f = easy.factor(end.factor)
        assert end.at == float(answer.window.bounds.loc[end.factor, "low" if end.end == "lower" else "high"])
        past = named[end.factor] < end.at if end.end == "lower" else named[end.factor] > end.at
        failed = named[past & ~named["passed"]]
        assert (end.beyond.made, end.beyond.failed) == (past.sum(), len(failed))
        expected = set(failed["coupon"][failed["side"] == end.side])
        assert {n.coupon for n in end.beyond.telling} <= expected
        assert len(end.beyond.telling) + end.beyond.silent == len(expected)
        at_range = abs(end.at - (f.low if end.end == "lower" else f.high)) < (f.step or 1e-9)
        assert (end.reason == "range") == at_range
        if not at_range:
            assert end.reason == ("seen" if end.beyond.telling else "assumed")
            assert end.beyond.lowers > 0


def test_an_end_that_no_coupon_failed_beyond_is_assumed_and_one_that_a_rule_makes_is_said_to_be(study: Study) -> None:
    frame = known_coupons(study, 14, seed=3).drop(columns=["hand_ana", "hand_ben"]).assign(passed=True, side="")
    names = list(study.factor_names)
    # made close around the middle: the rest is assumed
    for f in study.numeric:
        middle, half = (f.low + f.high) / 2, (f.high - f.low) / 5
        frame[f.name] = np.random.default_rng(1).uniform(middle - half, middle + half, len(frame))
    easy = replace(study, spec=doe.Spec(pass_rate=0.8, hand_min=None))
    surfaces = doe.fit(easy, frame, seed=2, particles=300)
    answer = doe.recommend(easy, surfaces, seed=2)
    assert answer.window is not None
    ends = explain_answer(easy, surfaces, answer).ends
    assert {e.reason for e in ends} <= {"assumed", "range"}
    assert "assumed" in {e.reason for e in ends}
    # a forbidden combination just inside: the window ends at it, whatever the coupons say
    limit = float(answer.setpoint[names[0]]) + 2
    limited = replace(easy, forbidden=(doe.Forbidden.parse(f"{names[0]} > {limit}", easy.factors),))
    answer = doe.recommend(limited, surfaces, seed=2)
    assert answer.window is not None
    by_rule = [e for e in explain_answer(limited, surfaces, answer).ends if e.reason == "rule"]
    assert [(e.factor, e.end) for e in by_rule] == [(names[0], "higher")]


def test_an_end_made_by_hand_feel_names_the_coupons_that_felt_too_hard(study: Study) -> None:
    frame = known_coupons(study, 40, seed=6, top=7.0, steep=0.3)
    frame["passed"], frame["side"] = True, ""
    first = study.numeric[0]
    share = (frame[first.name] - first.low) / (first.high - first.low)
    for person in ("ana", "ben"):
        frame[f"hand_{person}"] = np.round(2 * (4.5 - 3 * share)) / 2
    frame["coupon"] = [f"R1-{i + 1:02d}" for i in range(len(frame))]
    felt = replace(study, spec=doe.Spec(pass_rate=0.8, hand_min=3.5))
    surfaces = doe.fit(felt, frame, seed=2, particles=300)
    answer = doe.recommend(felt, surfaces, seed=2)
    assert answer.window is not None
    end = next(e for e in explain_answer(felt, surfaces, answer).ends if (e.factor, e.end) == (first.name, "higher"))
    assert (end.reason, end.by) == ("seen", "hand")
    hand = dict(zip(made_coupons(surfaces).names, made_coupons(surfaces).hand, strict=True))
    beyond = frame[frame[first.name] > end.at]["coupon"]
    short = {c for c in beyond if hand[c] < 3.5}
    assert {n.coupon for n in end.beyond.telling} <= short
    assert len(end.beyond.telling) + end.beyond.silent == len(short)


def test_a_coupon_beyond_an_end_that_does_not_lower_the_rate_there_is_not_what_the_end_rests_on() -> None:
    made = FitCoupons(
        ("a", "b", "c"),
        np.zeros(3, dtype=bool),
        np.array(["over"] * 3),
        pd.DataFrame({"dwell": [20.0, 21.0, 5.0]}),
        np.ones(3),
        np.full(3, np.nan),
        3,
    )
    past = made.past("dwell", "higher", 15.0, beside=False)
    for moved, telling, silent in ((-0.02, ("a",), 1), (0.01, (), 2)):
        found = _beyond(made, past, made.failed_by("over"), np.array([moved, 0.01, -0.05]), np.ones(3))
        assert tuple(n.coupon for n in found.telling) == telling
        assert (found.made, found.failed, found.silent, found.strongest) == (2, 2, silent, "c")


def test_cliffs_count_the_coupons_beyond_and_name_the_nearest(
    named: pd.DataFrame, answer: doe.Answer, why: Why
) -> None:
    assert why.cliffs
    assert [(c.factor, c.direction, c.at) for c in why.cliffs] == [(c.factor, c.direction, c.at) for c in answer.cliffs]
    for cliff in why.cliffs:
        past = named[cliff.factor] <= cliff.at if cliff.direction == "lower" else named[cliff.factor] >= cliff.at
        assert (cliff.beyond.made, cliff.beyond.failed) == (past.sum(), (past & ~named["passed"]).sum())
        assert {n.coupon for n in cliff.beyond.nearest} <= set(named["coupon"][past])


def test_the_setpoint_comes_first_and_the_middle_is_among_the_others(answer: doe.Answer, why: Why) -> None:
    assert dict(why.alternatives[0].settings) == dict(answer.setpoint)
    assert why.alternatives[0].pass_rate == pytest.approx(answer.pass_rate)
    assert "middle of the ranges" in [a.idea for a in why.alternatives]


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


CHANGES = [
    "all pass",
    "all fail",
    "one coupon",
    "no hand-feel",
    "one factor still",
    "two only",
    "far outside",
    "no side named",
    "hand-feel low",
]


@pytest.mark.parametrize("wanted", [0.5, 0.9, 0.99])
@pytest.mark.parametrize("change", CHANGES)
def test_odd_results_are_explained_too(study: Study, named: pd.DataFrame, change: str, wanted: float) -> None:
    study = replace(study, spec=replace(study.spec, pass_rate=wanted))
    frame = {
        "all pass": named.assign(passed=True, side=""),
        "all fail": named.assign(passed=False, side="under", hand_ana=np.nan, hand_ben=np.nan),
        "one coupon": named.head(1),
        "no hand-feel": named.drop(columns=["hand_ana", "hand_ben"]),
        "one factor still": named.assign(dwell=12.0),
        "two only": named.head(2),
        "far outside": named.assign(press_temp=named["press_temp"] + 60),
        "no side named": named.assign(side=np.where(named["passed"], "", "unknown")),
        "hand-feel low": named.assign(hand_ana=named["hand_ana"] - 1, hand_ben=named["hand_ben"] - 1),
    }[change]
    surfaces = doe.fit(study, frame, seed=1, particles=60)
    answer = doe.recommend(study, surfaces, seed=1)
    found = explain_answer(study, surfaces, answer)
    # without any change, all that is said is what the answer says
    assert found.now.verdict == answer.verdict
    assert found.now.p_reachable == pytest.approx(answer.p_reachable)
    assert (found.hand is None) == (answer.hand is None)
    assert len(found.ends) == (0 if answer.window is None else 2 * len(study.numeric))
    assert len(found.coupons) == len(frame)
    for c in found.coupons:
        for s in (c.left_out, c.turned):
            assert 0 <= s.rate_low <= s.rate + 0.2 <= 1.2
            assert np.isfinite([s.rate, s.rate_low, s.p_target, s.effective]).all()


def test_surfaces_without_their_model_cannot_be_explained(study: Study, surfaces: Surfaces, answer: doe.Answer) -> None:
    with pytest.raises(ValueError, match="carry no model"):
        explain_answer(study, replace(surfaces, model=None), answer)
