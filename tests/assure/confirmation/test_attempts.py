"""Attempts at a confirmation: what counts as a unit, what is missing, void coupons, and several attempts together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from doe.acts.confirmation.verdict import on_every_level
from doe.assure.binomial import pass_rate_low
from doe.assure.confirmation.allocation import confirmation_settings
from doe.assure.confirmation.attempts import ConfirmationPlan, assurance_over, attempt_of, same_setting
from doe.assure.confirmation.claims import claim_limits, claim_plan
from doe.domain.factors import EVERY_LEVEL, Factor, usual_factor
from doe.domain.spec import Check, Spec
from doe.domain.standing import standing
from doe.domain.study import Study
from doe.words.confirmation.plan import sentences
from doe.words.study.standing import meaning

CHECKS = (Check("release", "film lets go"), Check("wash_5", "sound after 5 washes", after_washes=5))
STUDY = Study(
    "invented",
    (usual_factor("press_temp"), usual_factor("dwell")),
    spec=Spec(pass_rate=0.8, hand_min=None, assurance=0.9, checks=CHECKS),
)
HERE, EDGE = {"press_temp": 155.0, "dwell": 13.0}, {"press_temp": 160.0, "dwell": 15.0}
POINTS = pd.DataFrame(
    [
        {"role": "setpoint", **HERE, "pass_rate": 0.95, "pass_rate_low": 0.9, "side": "over"},
        {"role": "corner 1", **EDGE, "pass_rate": 0.9, "pass_rate_low": 0.8, "side": "over"},
    ]
)


def plan(**changes):
    rule = ConfirmationPlan(
        id=1,
        attempt=1,
        claim=claim_plan(0.8, 0.9),
        unit="coupon",
        per_unit=1,
        corner_coupons=4,
        future_prints=10,
        setpoint=HERE,
        window=None,
        points=POINTS,
        rounds=(3,),
        inputs_hash="x",
        answer_verdict="ready",
    )
    return replace(rule, **changes)


def results(setpoint, corner="....", *, number=3, void=(), stroke=None):
    """Results by a letter a coupon: p passed, f failed at release, w waits for the wash, x washed out, . not scored."""
    release = {"p": True, "w": True, "x": True, "f": False, ".": None}
    wash = {"p": True, "x": False}
    states = setpoint + corner
    n = len(states)
    names = [f"R{number}-{i + 1:02d}" for i in range(n)]
    return pd.DataFrame(
        {
            "coupon": names,
            "round": number,
            "role": ["setpoint"] * len(setpoint) + ["corner 1"] * len(corner),
            "cure_order": range(1, n + 1),
            "press_order": range(1, n + 1),
            "cure_batch": 1,
            "press_batch": 1,
            "stroke": list(stroke or range(100 * number + 1, 100 * number + n + 1)),
            "check_release": pd.Series([release[s] for s in states], dtype=object),
            "check_wash_5": pd.Series([wash.get(s) for s in states], dtype=object),
            "void": ["torn" if name in void else "" for name in names],
        }
    )


def test_nothing_scored_is_open_and_nothing_is_missing():
    found = attempt_of(STUDY, plan(), results("." * 11))
    assert (found.verdict, found.judged, found.unscored, found.missing_units) == ("open", None, 15, 0)
    assert found.missing_corners == {}


def test_coupons_not_scored_yet_are_not_made_and_those_before_their_wash_wait():
    found = attempt_of(STUDY, plan(), results("pppww......", "pp.."))
    judged = found.judged
    assert (judged.passed, judged.failed, judged.waiting, judged.to_make) == (3, 0, 2, 6)
    assert found.verdict == "open"
    assert found.unscored == 8


def test_the_verdict_is_certain_as_soon_as_it_can_be():
    assert attempt_of(STUDY, plan(), results("ff.........")).verdict == "not accepted"
    early = attempt_of(STUDY, plan(claim=claim_plan(0.8, 0.9, failures=1)), results("p" * 17 + ".", "pppp"))
    assert early.verdict == "accepted"
    assert early.judged.to_make == 0


def test_a_void_coupon_is_a_missing_unit_until_it_is_made_again():
    rows = results("p" * 11, "pppp", void=("R3-02",))
    found = attempt_of(STUDY, plan(), rows)
    assert (found.verdict, found.missing_units, found.void) == ("open", 1, (("R3-02", "torn"),))
    again = pd.concat([rows, results("p", "", number=4)], ignore_index=True)
    whole = attempt_of(STUDY, plan(rounds=(3, 4)), again)
    assert (whole.verdict, whole.missing_units, whole.judged.passed) == ("accepted", 0, 11)
    # a coupon of another round is nobody's replacement
    assert attempt_of(STUDY, plan(), again).missing_units == 1


def test_a_void_coupon_taken_back_does_not_make_the_run_longer():
    rows = pd.concat([results("p" * 11, "pppp"), results("f", "", number=4)], ignore_index=True)
    found = attempt_of(STUDY, plan(rounds=(3, 4)), rows)
    # the planned coupons count, in their order; the one made in their place does not, whatever it showed
    assert (found.verdict, found.judged.failed, found.spare) == ("accepted", 0, 1)


def test_a_failure_made_void_is_named():
    rows = results("f" + "p" * 10, "pppp", void=("R3-01", "R3-15"))
    found = attempt_of(STUDY, plan(), rows)
    assert found.voided_failures == (("R3-01", "torn"),)
    assert found.missing_corners == {"corner 1": 1}


def test_a_stroke_that_lost_a_coupon_is_made_again_unless_it_failed_anyway():
    strokes = [*np.repeat(np.arange(1, 12), 2).tolist(), 20, 21, 22, 23]
    rule = plan(unit="stroke", per_unit=2)
    good = attempt_of(STUDY, rule, results("pp" * 11, "pppp", stroke=strokes))
    assert (good.verdict, good.judged.unit, good.judged.passed) == ("accepted", "stroke", 11)
    lost = attempt_of(STUDY, rule, results("pp" * 11, "pppp", void=("R3-03",), stroke=strokes))
    assert (lost.verdict, lost.missing_units, lost.judged.passed) == ("open", 1, 10)
    failed = attempt_of(STUDY, rule, results("ppfp" + "pp" * 9, "pppp", void=("R3-04",), stroke=strokes))
    assert (failed.verdict, failed.judged.failed) == ("not accepted", 1)
    begun = attempt_of(STUDY, rule, results("pp" * 10 + "p.", "pppp", stroke=strokes))
    assert (begun.verdict, begun.judged.waiting) == ("open", 1)


def test_a_corner_in_doubt_asks_for_as_many_again_once():
    rows = results("p" * 11, "pppf")
    found = attempt_of(STUDY, plan(), rows)
    assert (found.verdict, found.missing_corners) == ("open", {"corner 1": 4})
    again = pd.concat([rows, results("", "ppp.", number=4)], ignore_index=True)
    waiting = attempt_of(STUDY, plan(rounds=(3, 4)), again)
    assert (waiting.verdict, waiting.missing_corners) == ("open", {})
    settled = pd.concat([rows, results("", "pppp", number=4)], ignore_index=True)
    assert attempt_of(STUDY, plan(rounds=(3, 4)), settled).verdict == "accepted"


def test_a_corner_that_does_not_hold_turns_the_verdict_and_leaves_the_setpoint():
    found = attempt_of(STUDY, plan(), results("p" * 11, "ffff"))
    assert (found.verdict, found.judged.setpoint_verdict) == ("not accepted", "accepted")


def test_everything_void_is_open_again():
    rows = results("pp", "p", void=("R3-01", "R3-02", "R3-03"))
    found = attempt_of(STUDY, plan(), rows)
    assert (found.verdict, found.judged, found.missing_units, len(found.rows)) == ("open", None, 11, 0)


def test_giving_up_does_not_undo_a_verdict():
    rule = plan(given_up="film used up")
    assert attempt_of(STUDY, rule, results("pp.........")).verdict == "given up"
    assert attempt_of(STUDY, rule, results("f..........")).verdict == "not accepted"


def test_assurance_over_attempts_is_what_two_independent_tries_leave():
    first = attempt_of(STUDY, plan(), results("f.........."))
    second = attempt_of(STUDY, plan(attempt=2), results("p" * 11, "pppp"))
    assert assurance_over([second]) == pytest.approx(1 - 0.8**11)
    assert assurance_over([first, second]) == pytest.approx((1 - 0.8**11) ** 2)
    # tries at other settings, or at less, could not have shown this claim
    moved = replace(first, plan=plan(setpoint={**HERE, "dwell": 14.0}))
    weaker = replace(first, plan=plan(claim=claim_plan(0.5, 0.9)))
    untouched = attempt_of(STUDY, plan(given_up="film used up"), results("." * 11))
    assert assurance_over([moved, weaker, untouched, second]) == pytest.approx(1 - 0.8**11)


def test_a_setpoint_that_misses_its_claim_is_accepted_in_two_tries_as_often_as_said():
    # 4000 invented shops that try twice at a rate just below the claim; standard error 0.004
    rng = np.random.default_rng(41)
    rule = claim_plan(0.8, 0.9)
    lucky = (rng.uniform(size=(4000, 2, rule.units)) < 0.7999).all(axis=2).any(axis=1).mean()
    said = 1 - assurance_over(
        [
            attempt_of(STUDY, plan(), results("f..........")),
            attempt_of(STUDY, plan(attempt=2), results("p" * 11, "pppp")),
        ]
    )
    assert lucky == pytest.approx(said, abs=0.016)


def test_settings_are_the_same_up_to_rounding():
    assert same_setting(155.0, 155.0 + 1e-12)
    assert not same_setting(155.0, 156.0)
    assert same_setting("halm", "halm")
    assert not same_setting("halm", None)


ENDURED = replace(STUDY, factors=(*STUDY.factors, Factor("platen", levels=("left", "right"), endured=True)))


@pytest.mark.parametrize("failures", [0, 1, 2])
def test_one_level_that_misses_the_claim_is_accepted_no_oftener_than_stated(failures):
    rule = claim_plan(0.9, 0.9, failures=failures, levels=2)
    each = rule.units // 2
    assert rule.units == 2 * claim_plan(0.9, 0.9, failures=failures).units
    # the other level never fails: all failures that are forgiven are left for the worst one
    failed = np.arange(each + 1)
    is_accepted = [rule.state(rule.units - int(f), int(f)) == "accepted" for f in failed]
    accepted = float(binom.pmf(failed, each, 0.1)[is_accepted].sum())
    assert accepted == pytest.approx(rule.risk(0.9))
    assert accepted <= 0.1
    pooled = claim_plan(0.9, 0.9, failures=failures)
    assert binom.cdf(failures, pooled.units // 2, 0.1) > 0.25  # the rule of one level, spread over two
    # what is shown of the worst level is no more than its own coupons show
    assert claim_limits(rule, rule.units, 0).low == pytest.approx(pass_rate_low(each, each, 0.9))


def test_every_level_has_as_many_coupons_and_a_void_one_is_made_again_on_its_own():
    points = POINTS.assign(platen=EVERY_LEVEL)
    made = confirmation_settings(ENDURED, points, [8, 4])
    assert made.groupby(["role", "platen"]).size().tolist() == [2, 2, 4, 4]
    lost = made[(made["role"] == "setpoint") & (made["platen"] == "right")].index[:1]
    again = confirmation_settings(ENDURED, points, [1, 0], made.drop(index=lost))
    assert again["platen"].tolist() == ["right"]


def test_a_rule_of_several_levels_says_so_and_one_that_counts_them_together_too():
    told = [
        " ".join(sentences(on_every_level(study, rule), study))
        for study, rule in (
            (ENDURED, claim_plan(0.9, levels=2)),
            (ENDURED, claim_plan(0.9)),
            (STUDY, claim_plan(0.9)),
        )
    ]
    assert "must hold on every platen" in told[0]
    assert "one of them may be worse" in told[1]
    assert told[2] == ""


def test_what_is_confirmed_says_that_the_map_was_not_trusted():
    told = {"claim": 0.9, "assurance": 0.9, "wanted": 0.9}
    plain = meaning(standing("confirmed", told=told))
    assert meaning(standing("confirmed", told={**told, "names": ("R1-02", "R1-07")})) == (
        f"{plain} The map that led to these settings was not trusted: the results of the study contradict it or each "
        "other at R1-02 and R1-07. What is confirmed rests on the confirmation coupons alone, and how far the settings "
        "may move is not known."
    )
