"""The reasons in sentences: each says what the numbers say, and nothing more."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from tests_shared import known_coupons

import doe
from doe.domain.study import Study
from doe.setpoint import Why, explain_answer
from doe.setpoint.priors import PriorPull
from doe.setpoint.why import CouponWeight, Learned, OneMore, Standing
from reports import why_words as words


def _standing(rate: float, low: float, verdict: str = "ready", *, reliable: bool = True) -> Standing:
    return Standing(rate, low, 0.5, verdict, 200.0, 0.3, reliable)  # type: ignore[arg-type] # a verdict


def _coupon(name: str, low_change: float, **change: object) -> CouponWeight:
    now = 0.90
    made = CouponWeight(
        name, True, "", False, _standing(0.96, now - low_change), _standing(0.95, 0.86), 0.0, low_change
    )
    return replace(made, **change)


def _why(**change: object) -> Why:
    pulls = (
        PriorPull("every", -0.02, -0.05, -0.1, 400.0, True),
        PriorPull("width", -0.01, -0.04, -0.1, 500.0, True),
    )
    made = Why(
        now=_standing(0.965, 0.9099),
        before=_standing(0.35, 0.0),
        coupons=(_coupon("R1-18", 0.05), _coupon("R1-03", -0.02)),
        one_more=(OneMore("setpoint", 0, {}, 0.96, _standing(0.97, 0.92), _standing(0.93, 0.87), 0.01),),
        learned=(Learned("height", "", 0.7), Learned("place", "dwell", 0.4), Learned("lapse", "", 0.97)),
        priors=pulls,
        prior_verdicts=("ready", "ready"),
        draws=600,
    )
    return replace(made, **change)


def test_what_the_number_rests_on(study: Study) -> None:
    said = words.rests_on(study, _why())
    assert said == (
        "Before any coupon, 35 of 100 shirts (at least 0) were expected to be good at this setting; 2 coupons make "
        "that 96 of 100 shirts (at least 90).",
        "Learned most: the best press dwell (40 % of the doubt left) and how good the best setting is (70 % of the "
        "doubt left).",
        "Still mostly assumed: how many prints fail whatever the settings (97 % of the doubt left).",
    )
    one = words.rests_on(study, _why(coupons=(_coupon("R1-18", 0.05),), learned=(), before=_standing(0.3, 0.1)))
    assert one[0].endswith("; 1 coupon makes that 96 of 100 shirts (at least 90).")
    both = words.rests_on(study, _why(coupons=(_coupon("R1-18", 0.05), _coupon("E", 0.0, earlier=True))))
    assert "1 coupon (and 1 of an earlier study) make that" in both[0]
    assert len(words.rests_on(study, _why(before=None))) == 2


def test_the_coupon_that_moves_most_is_named_with_its_way() -> None:
    assert words.coupon_sentences(_why())[0] == (
        "R1-18 (passed) raises the lower bound most: without it, it would be 85 of 100 instead of 90."
    )
    harmful = _coupon("R1-05", -0.06, passed=False, side="under")
    assert words.coupon_sentences(_why(coupons=(harmful,)))[0] == (
        "R1-05 (too little) lowers the lower bound most: without it, it would be 96 of 100 instead of 90."
    )
    quiet = _coupon("R1-05", 0.001)
    assert "less than a point" in words.coupon_sentences(_why(coupons=(quiet,)))[0]


def test_turned_results_that_change_the_verdict_are_counted() -> None:
    assert "No single result, had it ended the other way, would change" in words.coupon_sentences(_why())[1]
    turned = _standing(0.9, 0.8, "more coupons")
    two = tuple(_coupon(f"R1-0{i}", 0.02, turned=turned) for i in (1, 2))
    assert words.coupon_sentences(_why(coupons=two))[1] == (
        "Had R1-01 or R1-02 ended the other way, this setting would be called: more coupons."
    )
    many = tuple(_coupon(f"R1-0{i}", 0.02, turned=turned) for i in range(1, 8))
    assert "Had one of 7 coupons (R1-01, R1-02, R1-03, ...) ended" in words.coupon_sentences(_why(coupons=many))[1]


def test_rough_numbers_are_marked_and_the_mark_explained() -> None:
    rough = _coupon("R1-18", 0.05, left_out=_standing(0.9, 0.85, reliable=False))
    why = _why(coupons=(rough,))
    assert any("~ marks" in text for text in words.coupon_sentences(why))
    row = words.coupon_rows(why)[0]
    assert row == ("R1-18", "passed", "~90", "~85", "95", "86", "ready", "200")
    assert len(row) == len(words.COUPON_HEADS)
    assert not any("~" in text for text in (*words.coupon_sentences(_why()), *words.coupon_rows(_why())[0]))


def test_one_more_coupon_and_the_most_telling_of_the_next() -> None:
    here = _why().one_more[0]
    assert words.one_more_sentences(_why()) == (
        "One more coupon at the setpoint: it passes with a chance of 96 %, and the lower bound would be 92 of 100; "
        "should it fail, 87.",
    )
    next_ones = tuple(replace(here, place="next", number=i, low_spread=s) for i, s in ((1, 0.01), (2, 0.04), (3, 0.02)))
    said = words.one_more_sentences(_why(one_more=(here, *next_ones)))
    assert said[1].startswith("The most telling of the next coupons is number 2 of the table above:")


def test_priors_are_said_to_pull_only_where_a_point_moves() -> None:
    said = words.prior_sentences(_why())
    assert said[0] == (
        "Were everything assumed before the coupons to count double, about 94 of 100 shirts (at least 85) would be "
        "expected to be good instead of 96 (at least 90)."
    )
    assert said[1].startswith("The strongest pull is that of how fast the window closes: counted double alone,")
    turned = words.prior_sentences(_why(prior_verdicts=("ready", "more coupons")))
    assert turned[1] == "Counted double, this setting would be called: more coupons."
    assert len(turned) == len(said) + 1
    halved = words.prior_sentences(_why(prior_verdicts=("not reachable", "ready")))
    assert halved[1] == "Counted half, this setting would be called: not reachable."
    quiet = PriorPull("every", 0.001, 0.002, 0.0, 500.0, True)
    said = words.prior_sentences(_why(priors=(quiet, replace(quiet, group="hand"))))
    assert said == (
        "Were everything assumed before the coupons to count double, neither the expected rate nor its bound would "
        "move by a point.",
    )


def test_a_kept_answer_that_differs_from_the_fit_is_said_to() -> None:
    class Kept:
        pass_rate, pass_rate_low, verdict = 0.80, 0.60, "more coupons"

    (said,) = words.differences(Kept(), _why())  # type: ignore[arg-type] # only these three are asked
    assert "The kept answer said 80 of 100 shirts (at least 60), more coupons;" in said
    assert "96 of 100 shirts (at least 90), ready" in said
    Kept.pass_rate, Kept.pass_rate_low, Kept.verdict = 0.965, 0.9099, "ready"
    assert words.differences(Kept(), _why()) == ()  # type: ignore[arg-type] # as above


@pytest.mark.parametrize("coupons", [1, 5, 40])
def test_every_sentence_of_a_real_answer_is_whole(study: Study, coupons: int) -> None:
    frame: pd.DataFrame = known_coupons(study, coupons, seed=coupons)
    surfaces = doe.fit(study, frame, seed=1, particles=200)
    answer = doe.recommend(study, surfaces, seed=1)
    why = explain_answer(study, surfaces, answer)
    said = (
        *words.rests_on(study, why), *words.coupon_sentences(why), *words.one_more_sentences(why),
        *words.prior_sentences(why),
    )  # fmt: skip
    assert words.differences(answer, why) == ()
    for text in said:
        assert text[0].isupper() or text.startswith(("row", "~"))
        assert text.endswith(".")
        assert "{" not in text
        assert "nan" not in text


def test_every_group_and_quantity_has_its_words() -> None:
    from doe.setpoint.priors import ABOUT
    from doe.surfaces.traces import PRIOR_GROUPS

    assert set(ABOUT) == {"every", *PRIOR_GROUPS}
    assert set(words.QUANTITIES) == {"height", "place", "steepness", "trade", "lapse", "hand_top"}
