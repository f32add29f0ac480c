"""The reasons in sentences: each says what the numbers say, and nothing more."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

import doe
from doe.domain.study import Study
from doe.setpoint.alternatives import Alternative
from doe.setpoint.averaged import Averaged
from doe.setpoint.grounds import Beyond, CliffGround, HandGround, HandMove, Named, WindowEnd
from doe.setpoint.priors import PriorPull
from doe.setpoint.standing import Standing
from doe.setpoint.why import CouponWeight, Learned, OneMore, Why, explain_answer
from doe.words.study import why as words
from doe.words.study.why import WhyPart, rough_note, why_parts
from tests.shared import known_coupons


def _standing(
    rate: float, low: float, verdict: str = "ready", *, reachable: float = 0.9, firm: bool = True, reliable: bool = True
) -> Standing:
    return Standing(rate, low, 0.5, reachable, 0.97, verdict, firm, 200.0, 0.3, reliable)  # type: ignore[arg-type] # a verdict


def _coupon(name: str, low_change: float, **change: object) -> CouponWeight:
    now = 0.90
    made = CouponWeight(
        name, True, "", False, _standing(0.96, now - low_change), _standing(0.95, 0.86), 0.0, low_change
    )
    return replace(made, **change)


def _why(**change: object) -> Why:
    pulls = (
        PriorPull("every", -0.02, -0.05, -0.1, -0.1, -0.01, 400.0, True),
        PriorPull("width", -0.01, -0.04, -0.1, -0.1, -0.01, 500.0, True),
    )
    made = Why(
        now=_standing(0.965, 0.9099),
        before=_standing(0.35, 0.0),
        coupons=(_coupon("R1-18", 0.05), _coupon("R1-03", -0.02)),
        ends=(),
        cliffs=(),
        hand=None,
        alternatives=(),
        one_more=(OneMore("setpoint", 0, {}, 0.96, _standing(0.97, 0.92), _standing(0.93, 0.87), 0.01),),
        learned=(Learned("height", "", 0.7), Learned("place", "dwell", 0.4), Learned("lapse", "", 0.97)),
        priors=pulls,
        prior_verdicts=("ready", "ready"),
        averaged=None,
        draws=600,
    )
    return replace(made, **change)


def test_what_the_number_rests_on(study: Study) -> None:
    said = words.rests_on(study, _why())
    assert said == (
        "Before any coupon, 35 of 100 prints (at least 0) were expected to be good at this setting; 2 coupons make "
        "that 97 of 100 prints (at least 90).",
        "Learned most: the best press dwell (40 % of the doubt left) and how good the best setting is (70 % of the "
        "doubt left).",
        "Still mostly assumed: how many prints fail whatever the settings (97 % of the doubt left).",
    )
    one = words.rests_on(study, _why(coupons=(_coupon("R1-18", 0.05),), learned=(), before=_standing(0.3, 0.1)))
    assert one[0].endswith("; 1 coupon makes that 97 of 100 prints (at least 90).")
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
    close = replace(turned, firm=False)
    assert words.coupon_sentences(_why(coupons=tuple(replace(c, turned=close) for c in two)))[1:] == (
        "No single result, had it ended the other way, would clearly change what is said here: ready.",
        "Had R1-01 or R1-02 ended the other way, it would be a close call.",
    )
    unsure = words.coupon_sentences(_why(now=_standing(0.95, 0.86, firm=False)))
    assert unsure[1:] == (
        "What is said here, ready, is a close call by itself: another fit of the same results may say otherwise.",
    )
    assert "Had one of 7 coupons (R1-01, R1-02, R1-03, ...) ended" in words.coupon_sentences(_why(coupons=many))[1]


def test_rough_numbers_are_marked_and_the_mark_explained() -> None:
    rough = _coupon("R1-18", 0.05, left_out=_standing(0.9, 0.85, reliable=False))
    why = _why(coupons=(rough,))
    part = WhyPart("", words.coupon_sentences(why), words.COUPON_HEADS, tuple(words.coupon_rows(why)))
    assert rough_note((part,)) == ("~ marks numbers that rest on few draws: take them as rough.",)
    assert rough_note((replace(part, lines=("5",), rows=()),)) == ()
    assert rough_note((replace(part, lines=()),)) != ()
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
    assert said[1] == (
        "The 3 next coupons of the table above are chosen for what most of them may do to the verdict, and the rest "
        "where the best setting may lie; chance to pass: 96 %."
    )
    assert said[2].startswith("The most telling of them here is number 2: it passes with a chance of 96 %")


def test_priors_are_said_to_pull_only_where_a_point_moves() -> None:
    said = words.prior_sentences(_why())
    assert said[0] == (
        "Were everything assumed before the coupons to count double, about 95 of 100 prints (at least 85) would be "
        "expected to be good instead of 97 (at least 90)."
    )
    assert said[1].startswith("The strongest pull is that of how fast the window closes: counted double alone,")
    turned = words.prior_sentences(_why(prior_verdicts=("ready", "more coupons")))
    assert turned[1] == "Counted double, this setting would be called: more coupons."
    assert len(turned) == len(said) + 1
    halved = words.prior_sentences(_why(prior_verdicts=("not reachable", "ready")))
    assert halved[1] == "Counted half, this setting would be called: not reachable."
    quiet = PriorPull("every", 0.001, 0.002, 0.0, 0.0, 0.0, 500.0, True)
    said = words.prior_sentences(_why(priors=(quiet, replace(quiet, group="hand"))))
    assert said == (
        "Were everything assumed before the coupons to count double, neither the expected rate nor its bound would "
        "move by a point.",
    )


def test_a_kept_answer_that_differs_from_the_fit_is_said_to() -> None:
    class Kept:
        pass_rate, pass_rate_low, verdict = 0.80, 0.60, "more coupons"
        p_reachable, best_pass_rate = 0.9, 0.97

    (said,) = words.differences(Kept(), _why())  # type: ignore[arg-type] # only these three are asked
    assert "The kept answer said 80 of 100 prints (at least 60), more coupons;" in said
    assert "97 of 100 prints (at least 90), ready" in said
    Kept.pass_rate, Kept.pass_rate_low, Kept.verdict = 0.965, 0.9099, "ready"
    assert words.differences(Kept(), _why()) == ()  # type: ignore[arg-type] # as above
    Kept.p_reachable = 0.8
    assert len(words.differences(Kept(), _why())) == 1  # type: ignore[arg-type] # as above


@pytest.mark.parametrize("coupons", [1, 5, 40])
def test_every_sentence_of_a_real_answer_is_whole(study: Study, coupons: int) -> None:
    frame: pd.DataFrame = known_coupons(study, coupons, seed=coupons)
    surfaces = doe.fit(study, frame, seed=1, particles=200)
    answer = doe.recommend(study, surfaces, seed=1)
    why = explain_answer(study, surfaces, answer)
    parts = why_parts(study, why)
    said = [text for part in parts for text in part.lines]
    for part in parts:
        assert all(len(row) == len(part.heads) for row in part.rows)
        assert set(part.texts) <= set(part.heads)
        assert all("{" not in cell and "nan" not in cell for row in part.rows for cell in row)
    assert len(words.end_rows(study, why)) == (0 if answer.window is None else 2 * len(study.numeric))
    assert len(words.cliff_rows(study, why)) == len(answer.cliffs)
    assert words.differences(answer, why) == ()
    for text in said:
        assert text[0].isupper() or text.startswith(("row", "~"))
        assert text.endswith(".")
        assert "{" not in text
        assert "nan" not in text


def _beyond(**change: object) -> Beyond:
    return replace(Beyond(0, 0, (), (), "", 0.0), **change)


UNDER = tuple(Named(f"R1-0{i}", False, "under") for i in range(1, 6))


def test_each_end_of_the_window_says_which_coupons_it_rests_on(study: Study) -> None:
    name = study.numeric[0].name

    def said(reason: str, by: str = "heat", **beyond: object) -> str:
        end = WindowEnd(name, "lower", 120.0, reason, by, "under", _beyond(**beyond))  # type: ignore[arg-type] # literals
        ((factor, where, text),) = words.end_rows(study, _why(ends=(end,)))
        assert (factor, where) == (name, "from 120 °C (248 °F)")
        return text

    assert said("range", telling=UNDER) == "the tested range ends there"
    assert said("rule") == "a limit or a forbidden combination ends it there"
    assert said("seen", telling=UNDER[:2]) == "R1-01 and R1-02 failed beyond it (by too little heat)"
    assert said("seen", telling=UNDER) == "5 coupons, R1-01, R1-02, R1-03, ... failed beyond it (by too little heat)"
    unnamed = Named("R1-09", False, "unknown")
    assert said("seen", telling=(UNDER[0], unnamed)).endswith("failed beyond it (by too little heat or unsaid)")
    assert said("seen", telling=(unnamed,)) == "R1-09 failed beyond it (nobody said how)"
    assert said("assumed") == "no coupon failed beyond it by too little heat: assumed, not seen"
    assert said("assumed", failed=2) == (
        "no coupon failed beyond it by too little heat (2 did otherwise): assumed, not seen"
    )
    assert said("assumed", made=1, failed=1, silent=1) == (
        "1 coupon failed beyond it (by too little heat or unsaid), but does not lower the rate there: assumed, not seen"
    )
    wanted = study.spec.hand_min
    assert said("assumed", "hand", silent=2) == (
        f"2 coupons beyond it felt less than {wanted:.1f}, but none lowers the rate there: assumed, not seen"
    )
    assert said("seen", "hand", telling=UNDER[:1]) == f"R1-01 beyond it felt less than {wanted:.1f}"
    assert said("assumed", "hand") == f"no coupon beyond it felt less than {wanted:.1f}: assumed, not seen"


def test_each_cliff_counts_the_coupons_beyond_and_names_the_nearest(study: Study) -> None:
    name = study.numeric[0].name
    seen = CliffGround(
        name, "lower", 120.0, "heat", "under", _beyond(made=3, failed=2, telling=UNDER[:2], nearest=UNDER[1:3])
    )
    bare = CliffGround(name, "higher", 131.0, "heat", "over", _beyond())
    assert words.cliff_rows(study, _why(cliffs=(seen, bare))) == [
        (name, "cooler, at 120 °C (248 °F)", "3", "2", "R1-02 (too little)"),
        (
            name,
            "hotter, at 131 °C (268 °F)",
            "0",
            "0",
            "no coupon failed beyond it by too much heat: assumed, not seen",
        ),
    ]


def test_hand_feel_is_on_the_scale_of_those_who_scored() -> None:
    assert words.hand_sentences(_why()) == ()
    hand = HandGround(
        4.02,
        3.8,
        4.21,
        ("ana", "ben"),
        (HandMove("R1-04", 3.9, 3.7, 4.1, True), HandMove("R1-05", 4.0, 3.8, 4.2, True)),
    )
    assert words.hand_sentences(_why(hand=hand)) == (
        "Hand-feel 4.0 (3.8 to 4.2) rests on 2 coupons with a score, on the scale of ana and ben; other people may "
        "differ.",
        "R1-04 moves it most: without it, it would be 3.90 (3.70 to 4.10) instead of 4.02 (3.80 to 4.21).",
    )
    quiet = replace(hand, people=("ana",), coupons=hand.coupons[1:])
    assert words.hand_sentences(_why(hand=quiet)) == (
        "Hand-feel 4.0 (3.8 to 4.2) rests on 1 coupon with a score, on the scale of ana; other people may differ.",
        "Leaving out any single coupon moves it by less than 0.05.",
    )
    rough = replace(hand, coupons=(replace(hand.coupons[0], reliable=False),))
    assert "would be ~3.90" in words.hand_sentences(_why(hand=rough))[1]


def test_the_chance_that_any_setting_reaches_the_target_names_what_moves_it_most(study: Study) -> None:
    before, now = _standing(0.35, 0.0, reachable=0.4), _standing(0.6, 0.5, "not reachable", reachable=0.14)
    first = _coupon("R1-18", 0.05, turned=_standing(0.6, 0.5, reachable=0.12))
    most = _coupon(
        "R1-03", -0.02, passed=False, side="over", turned=_standing(0.6, 0.5, reachable=0.44, reliable=False)
    )
    said = words.reach_sentences(study, _why(now=now, before=before, coupons=(first, most)))
    assert said[0].startswith(
        "The chance that some tested setting reaches 90 % is 14 %; before any coupon it was 40 %."
    )
    assert said[0].endswith("expected to be 97 of 100, before any coupon 97.")
    assert "below 50 %" in said[1]
    assert said[2] == "R1-03 (too much) would move that chance most: had it ended the other way, to ~44 %."
    many = tuple(_coupon(f"R1-{i:02d}", 0.0, turned=now) for i in range(20))
    steps = replace(study, most_coupons=40)
    said = words.reach_sentences(steps, _why(now=now, before=None, coupons=many))
    assert "below 20 %" in said[1]  # a search step by step may still make coupons
    assert said[2] == "No single result, had it ended the other way, would move that chance by a point."
    assert "before" not in said[0]


def test_why_this_setting_and_not_the_middle(study: Study) -> None:
    middle = {"cure_temp": 125.0, "cure_time": 137.0, "press_temp": 155.0, "dwell": 12.6}
    here = {**middle, "cure_temp": 122.0, "dwell": 13.6}
    chosen = Alternative("setpoint", "", here, 0.93, 0.87, 4.0, 151.0)
    other = Alternative("middle of the ranges", "", middle, 0.80, 0.60, 4.1, 150.0)
    said = words.setting_sentences(study, _why(alternatives=(chosen, other)))
    assert said[1] == (
        "Against the middle of the tested ranges: cure temperature 3 °C (5 °F) cooler and press dwell 1 s longer. The "
        "middle: Worse: 13 points fewer pass by expectation, and its lower bound is 27 points lower. It is 1 s quicker "
        "a print."
    )
    assert words.other_rows(
        _why(alternatives=(chosen, replace(other, idea="best coupon", coupon="R1-05", hand=None)))
    ) == [
        ("the setpoint", "93", "87", "4.0", "151"),
        ("best coupon: it passed and felt best (R1-05)", "80", "60", "", "150"),
    ]
    same = (chosen, replace(other, settings=here))
    assert words.setting_sentences(study, _why(alternatives=same))[1] == "It is the middle of the tested ranges."


def test_every_group_and_quantity_has_its_words() -> None:
    from doe.surfaces.contract import PRIOR_GROUPS
    from doe.words.study.setpoint import ABOUT

    assert set(ABOUT) == {"every", *PRIOR_GROUPS}
    assert set(words.QUANTITIES) == {"height", "place", "steepness", "trade", "lapse", "hand_top"}


def test_another_kind_of_surface_is_told_beside_the_answer_or_not_at_all() -> None:
    assert words.model_sentences(_why()) == ()
    said = words.model_sentences(_why(averaged=Averaged(0.44, 0.948, 0.866, 0.921, 0.801)))
    assert said[0] == (
        "Another kind of surface, walls of heat at each machine instead of one smooth hill, would expect 92 of 100 "
        "prints to be good here (at least 80). Averaged in by how well each predicts coupons left out (its weight: "
        "44 %): 95 (at least 86) instead of 97 (at least 90)."
    )
    assert "the answer does not use them" in said[1]


def test_the_overview_names_for_each_number_what_it_rests_on_most(study: Study) -> None:
    ends = tuple(
        WindowEnd(study.numeric[0].name, end, 120.0, reason, "heat", "under", _beyond(telling=telling))
        for end, reason, telling in (("lower", "seen", UNDER[:3]), ("higher", "assumed", ()))
    )
    cliff = CliffGround("dwell", "lower", 9.0, "heat", "under", _beyond(made=3, failed=2, telling=UNDER[:1]))
    rows = dict(words.overview_rows(_why(ends=ends, cliffs=(cliff,))))
    assert rows == {
        "ready": "no single coupon, ended the other way, would clearly change it",
        "97 of 100 good": "2 coupons; before any, 35 were expected",
        "at least 90": "R1-18 (passed): without it, at least 85",
        "90 % reachable": "no single coupon moves it by a point",
        "nearest cliff": "dwell: 2 of 3 coupons beyond it failed",
        "window, cure_temp": "lower end: R1-01, R1-02; higher end: assumed, not seen",
        "assumptions": "if they counted double: 95 of 100, at least 85",
        "one more coupon": "at least 92 if it passes at the setpoint, 87 if it fails",
    }
    turned = _standing(0.9, 0.8, "more coupons", reachable=0.6, reliable=False)
    two = tuple(_coupon(f"R1-0{i}", 0.001, turned=turned) for i in (1, 2))
    rows = dict(words.overview_rows(_why(coupons=two, before=None)))
    assert rows["ready"] == "R1-01 (or 1 other) ended the other way: more coupons"
    assert rows["97 of 100 good"] == "2 coupons"
    assert rows["at least 90"] == "no single coupon moves it by a point"
    assert rows["90 % reachable"] == "R1-01 (passed): had it ended the other way, about 60 %"
    close = words.overview_rows(_why(now=_standing(0.95, 0.86, firm=False)))
    assert close[0][1] == "a close call: another fit of the same results may differ"
