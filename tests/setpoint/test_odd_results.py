"""Results no plan asked for: nothing breaks, and what is said stays inside what such results can carry."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

import doe
from doe.domain.factors import usual_factor
from doe.domain.results import read_results
from doe.domain.study import Study
from doe.plans.plan import KINDS
from doe.setpoint.next_coupons import choose_next
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import find_setpoint
from doe.setpoint.verdict import WORSE_RATES
from doe.setpoint.why import explain_answer
from doe.surfaces.earlier import Earlier
from doe.surfaces.scaling import Scaling
from doe.surfaces.unvaried import hardly_varied
from doe.words.study import setpoint as words
from tests.shared import known_coupons

NAMES = ("press_temp", "dwell", "cure_temp", "cure_time", "pressure", "powder_amount")
HAND = ["hand_ana", "hand_ben"]


def _contradictory(frame: pd.DataFrame) -> pd.DataFrame:
    """Every setting made twice, once good and once bad."""
    again = frame.assign(passed=~frame["passed"], side=np.where(frame["passed"], "unknown", ""))
    again[HAND] = np.nan
    return pd.concat([frame, again], ignore_index=True)


CASES: dict[str, Callable[[pd.DataFrame], pd.DataFrame]] = {
    "all passed": lambda f: f.assign(passed=True, side=""),
    "all failed": lambda f: f.assign(passed=False, side="unknown", hand_ana=np.nan, hand_ben=np.nan),
    "too much only": lambda f: f.assign(side=np.where(f["passed"], "", "over")),
    "too little only": lambda f: f.assign(side=np.where(f["passed"], "", "under")),
    "for other reasons only": lambda f: f.assign(side=np.where(f["passed"], "", "other")),
    "one coupon, passed": lambda f: f.head(1).assign(passed=True, side=""),
    "one coupon, failed": lambda f: f.head(1).assign(passed=False, side="under", hand_ana=np.nan, hand_ben=np.nan),
    "every coupon the same": lambda f: pd.concat([f.head(1)] * len(f), ignore_index=True),
    "every coupon twice": lambda f: pd.concat([f, f], ignore_index=True),
    "a factor that never moved": lambda f: f.assign(press_temp=155.0),
    "no factor moved": lambda f: f.assign(**{c: f[c].iloc[0] for c in f.columns if c in NAMES}),
    "contradictory repeats": _contradictory,
    "no hand-feel": lambda f: f.drop(columns=HAND),
    "hand-feel of failed coupons only": lambda f: f.assign(**{h: np.where(f["passed"], np.nan, 2.0) for h in HAND}),
    "one harsh person": lambda f: f.assign(hand_ben=np.where(f["passed"], 1.0, np.nan)),
    "one person felt one coupon": lambda f: f.assign(hand_ben=[4.0, *[np.nan] * (len(f) - 1)]),
    "a person who felt nothing": lambda f: f.assign(hand_cleo=np.nan),
    "every coupon its own batch": lambda f: f.assign(cure_batch=np.arange(len(f)), press_batch=np.arange(len(f))),
    "no batch known": lambda f: f.drop(columns=["cure_batch", "press_batch"]),
}


CASES |= {
    "every coupon the same and passed": lambda f: CASES["every coupon the same"](f).assign(
        passed=True, side="", hand_ana=4.0, hand_ben=4.0
    ),
    "one person alone": lambda f: f.drop(columns=["hand_ben"]),
    "one person alone, who says 1": lambda f: f.drop(columns=["hand_ben"]).assign(
        hand_ana=np.where(f["passed"], 1.0, np.nan)
    ),
    "people who felt different coupons": lambda f: f.assign(
        hand_ana=f["hand_ana"].where(np.arange(len(f)) % 2 == 0),
        hand_ben=f["hand_ben"].where(np.arange(len(f)) % 2 == 1),
    ),
    "one batch": lambda f: f.assign(cure_batch=1, press_batch=1),
    "a factor moved in one coupon": lambda f: f.assign(press_temp=[140.0, *[155.0] * (len(f) - 1)]),
    "a machine that only wandered": lambda f: f.assign(
        press_temp=155.0, actual_press_temp=155 + 2 * np.sin(np.arange(len(f)))
    ),
}

HOT, COOL = "the hot edge of the window is assumed", "the cool edge of the window is assumed"
ONE = ("Only 1 coupon scored", "Press temperature and press dwell were not varied")
STILL = "Press temperature was not varied"

SAYS: dict[str, tuple[str, ...]] = {
    "all passed": ("Every coupon passed: no edge of the window was seen", "nothing here tests whether"),
    "all failed": ("No coupon passed", "nothing here tests whether", "Hand-feel is in the spec but was not scored"),
    "too much only": (COOL,),
    "too little only": (HOT,),
    "for other reasons only": (HOT, COOL),
    "one coupon, passed": (*ONE, "Every coupon passed"),
    "one coupon, failed": (*ONE, "No coupon passed"),
    "every coupon the same": (*ONE[1:], "All coupons come from one press batch"),
    "every coupon the same and passed": (*ONE[1:], "All coupons come from one press batch", "Every coupon passed"),
    "a factor that never moved": (STILL, "no setpoint counts as ready, and no window is given"),
    "a factor moved in one coupon": (STILL,),
    "a machine that only wandered": (STILL,),
    "no factor moved": ONE[1:],
    "contradictory repeats": ("the pass share alone",),
    "no hand-feel": ("Hand-feel is in the spec but was not scored", "no new one is needed"),
    "one harsh person": ("ben scores hand-feel", "points below ana", "`doe people`"),
    "one person alone": ("Hand-feel rests on ana alone",),
    "one person alone, who says 1": ("Hand-feel rests on ana alone",),
    "one person felt one coupon": ("No two of the 2 people who scored hand-feel felt 3 coupons in common",),
    "people who felt different coupons": ("No two of the 2 people who scored hand-feel felt 3 coupons in common",),
    "no batch known": ("No press batches are known, so an error that the coupons of a batch share is not allowed for",),
    "one batch": ("All coupons come from one press batch",),
}
"""Words that must be said of results like these, with press temperature and dwell varied."""

SILENT = {
    "every coupon twice",
    "a person who felt nothing",
    "every coupon its own batch",
    "hand-feel of failed coupons only",
}
"""Results of which nothing more is said than of usual ones: they tell what they tell."""


def _told(surfaces: doe.Surfaces, answer: doe.Answer) -> str:
    facts = (*answer.limits_on_certainty, *answer.warnings, *surfaces.belief.facts, *answer.changes)
    return "\n".join(words.said(surfaces.study, facts))


def _answered(case: str, factors: int, seed: int, coupons: int = 12) -> tuple[Study, doe.Surfaces, doe.Answer]:
    study = Study(case, tuple(usual_factor(n) for n in NAMES[:factors]))
    frame = CASES[case](known_coupons(study, coupons, seed))
    surfaces = doe.fit(study, frame, seed=seed, particles=80)
    return study, surfaces, doe.recommend(study, surfaces, seed=seed)


def _check(study: Study, surfaces: doe.Surfaces, answer: doe.Answer) -> None:
    # a few very bad draws, fewer than the risk, pull the mean below the bound: by little with so few draws
    assert 0 <= answer.pass_rate_low <= min(answer.pass_rate + 0.05, 1)
    assert 0 <= answer.pass_rate <= 1
    for f in study.factors:
        assert f.low <= float(answer.setpoint[f.name]) <= f.high
    assert np.isfinite(surfaces.belief.p_left_out).all()
    predicted = surfaces.predict(pd.DataFrame([answer.setpoint])).drop(columns=["hand", "hand_low", "hand_high"])
    assert np.isfinite(predicted.to_numpy()).all()
    assert answer.verdict in ("ready", "more coupons", "not reachable")
    why = explain_answer(study, surfaces, answer)
    assert len(why.coupons) == surfaces.results.coupons
    assert all(np.isfinite([c.left_out.rate, c.turned.rate, c.turned.rate_low]).all() for c in why.coupons)
    found = find_setpoint(RobustRate(study, surfaces), rng=np.random.default_rng(0))
    following = choose_next(study, found.best_at, 6, rng=np.random.default_rng(0))
    assert len(following) == 6
    for f in study.factors:
        values = following[f.name].to_numpy(dtype=float)
        assert ((values >= f.low - 1e-9) & (values <= f.high + 1e-9)).all()


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(case=st.sampled_from(sorted(CASES)), factors=st.integers(2, 6), seed=st.integers(0, 999))
@example(case="no factor moved", factors=2, seed=1)
@example(case="every coupon the same", factors=4, seed=2)
@example(case="hand-feel of failed coupons only", factors=3, seed=3)
def test_whatever_comes_in_an_answer_comes_out(case: str, factors: int, seed: int) -> None:
    _check(*_answered(case, factors, seed))


@pytest.mark.parametrize("case", sorted(CASES))
def test_every_odd_case_is_answered_and_said_to_be_what_it_is(case: str) -> None:
    study, surfaces, answer = _answered(case, 2, seed=28)
    _check(study, surfaces, answer)
    assert (case in SAYS) != (case in SILENT)
    told = _told(surfaces, answer)
    assert [words for words in SAYS.get(case, ()) if words not in told] == []
    usual = ("not varied", "batches are known", "come from one", "rests on ana alone", "scores hand-feel", "in common")
    others = [words for words in usual if not any(words in said for said in SAYS.get(case, ()))]
    assert [words for words in others if words in told] == []  # nothing that is not so


@pytest.mark.parametrize(
    "case", ["all failed", "one coupon, passed", "one coupon, failed", "contradictory repeats", "no factor moved"]
)
def test_results_that_show_no_window_are_never_ready(case: str) -> None:
    for factors in (2, 4):
        _, surfaces, answer = _answered(case, factors, seed=28)
        assert answer.verdict != "ready"
        assert answer.pass_rate_low < 0.9
        told = _told(surfaces, answer)
        assert [w for w in SAYS[case] if w not in told and not w.startswith("Press temperature and press dwell")] == []
        unvaried = "were not varied, or hardly" in told
        assert unvaried == (case.startswith("one coupon") or case == "no factor moved")
        if unvaried:
            names = [f.label for f in surfaces.study.numeric]
            assert all(name in told.lower() for name in names)


def _four_factors(rows: int = 20, seed: int = 1) -> tuple[Study, pd.DataFrame]:
    study = Study("s", tuple(usual_factor(n) for n in ("cure_temp", "cure_time", "press_temp", "dwell")))
    return study, known_coupons(study, rows, seed=seed, top=6.0)


def _middle(study: Study) -> dict[str, float]:
    return {f.name: (f.low + f.high) / 2 for f in study.factors}


def _asked(study: Study, frame: pd.DataFrame, earlier: Earlier | None = None, *, particles: int = 200) -> doe.Answer:
    return doe.recommend(study, doe.fit(study, frame, seed=1, particles=particles, earlier=earlier), seed=1)


def test_twenty_passes_at_one_setting_show_neither_a_window_nor_readiness() -> None:
    study, frame = _four_factors()
    answer = _asked(
        study, frame.assign(**_middle(study), passed=True, side="", hand_ana=4.0, hand_ben=4.0), particles=600
    )
    assert answer.pass_rate > 0.95  # the numbers alone would be enough
    assert (answer.verdict, answer.window, answer.assured_window) == ("more coupons", None, None)
    first = words.said(study, answer.limits_on_certainty)[0]
    assert first.startswith("Cure temperature, cure time, press temperature and press dwell were not varied")
    assert all(np.ptp(answer.next_coupons[f.name]) > 0 for f in study.factors)  # those proposed do vary them


def test_failures_at_one_setting_do_not_show_that_no_other_setting_is_good() -> None:
    study, frame = _four_factors()
    failed = frame.assign(**_middle(study), passed=False, side="unknown", hand_ana=np.nan, hand_ben=np.nan)
    assert _asked(study, failed).verdict == "more coupons"


def test_one_factor_that_was_not_varied_takes_away_the_window() -> None:
    study, frame = _four_factors()
    study = replace(study, spec=doe.Spec(pass_rate=0.9, hand_min=None))
    assert _asked(study, frame).window is not None
    answer = _asked(study, frame.assign(cure_time=135.0))
    assert answer.pass_rate > 0.9
    assert (answer.verdict, answer.window) == ("more coupons", None)
    assert words.said(study, answer.limits_on_certainty)[0].startswith("Cure time was not varied")


@pytest.mark.parametrize(("discount", "is_varied"), [(0.5, True), (0.02, False)])
def test_earlier_coupons_count_as_varied_in_proportion(discount: float, is_varied: bool) -> None:
    study, frame = _four_factors()
    still = frame.assign(cure_time=135.0)
    earlier = Earlier(known_coupons(study, 20, seed=2, top=6.0), discount)
    answer = _asked(study, still, earlier)
    assert any("Cure time was not varied" in text for text in words.said(study, answer.warnings)) != is_varied
    # two studies that each stood still at another setting show nothing either
    both = _asked(study, still, Earlier(frame.assign(cure_time=160.0), 1.0))
    assert any("Cure time was not varied" in text for text in words.said(study, both.warnings))


def test_hand_feel_that_nobody_scored_asks_for_scores_and_not_for_coupons() -> None:
    study, frame = _four_factors(28)
    silent = frame.drop(columns=HAND)
    answer = _asked(replace(study, spec=replace(study.spec, pass_rate=0.6)), silent)
    assert (answer.verdict, answer.next_coupons.empty, answer.assured_window) == ("more coupons", True, None)
    easy = _asked(replace(study, spec=replace(study.spec, pass_rate=0.6)), silent)
    assert easy.pass_rate_low > 0.6
    assert easy.window is not None
    assert easy.assured_window is None  # nothing of the whole spec is assured
    unwanted = _asked(replace(study, spec=replace(study.spec, hand_min=None)), silent)
    assert unwanted.verdict == "ready"
    short = _asked(study, silent.head(4))
    assert (short.verdict, len(short.next_coupons)) == ("more coupons", 8)  # here coupons are wanted, too


@pytest.mark.parametrize(
    ("scores", "first"),
    [
        (lambda f: {"hand_Zoë": np.where(f["passed"], 1.0, np.nan)}, "let a second person feel"),
        (
            lambda f: {"hand_ana": f["hand_ana"], "hand_Zoë": np.where(f["passed"], 1.0, np.nan)},
            "settle what Zoë and ana mean by their scores",
        ),
    ],
)
def test_where_hand_feel_alone_fails_the_scorers_are_settled_before_the_powder(
    scores: Callable[[pd.DataFrame], dict[str, object]], first: str
) -> None:
    study, frame = _four_factors(seed=2)
    answer = _asked(study, frame.drop(columns=HAND).assign(**scores(frame)))
    assert answer.verdict == "not reachable"
    changes = words.said(study, answer.changes)
    assert first in changes[0]
    assert "no new coupon is needed" in changes[0]
    assert changes[1].startswith("If the scores stand: ask whether a stiffer hand")
    assert any("Zoë" in text for text in words.said(study, answer.warnings))
    two = [HAND[0], "hand_Zoë"]
    hard = _asked(study, frame.drop(columns=HAND).assign(**dict.fromkeys(two, np.where(frame["passed"], 1.5, np.nan))))
    assert hard.verdict == "not reachable"
    assert words.said(study, hard.changes)[0].startswith("The checks alone can be met; hand-feel is what fails. Ask")


def test_the_gap_between_two_people_is_that_of_the_coupons_both_felt() -> None:
    study, frame = _four_factors()
    both = frame.assign(hand_ana=4.0, hand_ben=[3.0] * 5 + [2.0] * 5 + [np.nan] * 10, passed=True, side="")
    said = [w for w in words.said(study, doe.fit(study, both, seed=1, particles=40).warnings) if "below" in w]
    assert said[0].startswith("ben scores hand-feel 1.5 points below ana on the 10 coupons that both felt")
    near = both.assign(hand_ben=3.0)  # a point apart, and no more
    assert "scorers_apart" not in [w.code for w in doe.fit(study, near, seed=1, particles=40).warnings]


def test_batches_are_asked_for_only_where_a_machine_is_set_once_a_batch() -> None:
    frame = known_coupons(Study("s", tuple(usual_factor(n) for n in NAMES[:4])), 12, seed=1)
    unknown = frame.drop(columns=["cure_batch", "press_batch"])
    for names, said in (
        (("press_temp", "cure_temp"), "No cure or press batches are known"),
        (("press_temp", "cure_time"), "No press batches are known"),
        (("dwell", "cure_time"), ""),
    ):
        study = Study("s", tuple(usual_factor(n) for n in names))
        fitted = doe.fit(study, unknown, seed=1, particles=40)
        found = [w for w in words.said(study, fitted.warnings) if "batch" in w]
        assert [w[: len(said)] for w in found] == ([said] if said else [])
        usual = doe.fit(study, doe.make_plan(study, coupons=12, seed=1).coupons.assign(passed=True), particles=40)
        assert not any("batch" in w or "not varied" in w for w in words.said(study, usual.warnings))


@pytest.mark.parametrize("kind", KINDS)
def test_no_usual_plan_leaves_a_factor_unvaried_or_a_batch_unknown(kind: str) -> None:
    study = Study("s", tuple(usual_factor(n) for n in NAMES[: 5 if kind == "quarter" else 4]))
    size = 26 if kind in ("composite", "box-behnken") else 20
    coupons = doe.make_plan(study, coupons=size, kind=kind, seed=1).coupons
    for made in (coupons, coupons.head(12)):
        results = read_results(study, made.assign(passed=True, hand_ana=4.0, hand_ben=4.0))
        assert hardly_varied(Scaling(study.factors), results) == ()
    warnings = doe.fit(study, coupons.assign(passed=True, hand_ana=4.0, hand_ben=4.0), particles=20).warnings
    assert words.said(study, warnings) == (
        "Every coupon passed: no edge of the window was seen, so how far it reaches is assumed.",
    )


def test_a_factor_with_levels_is_answered_like_any_other() -> None:
    study = Study("s", (*(usual_factor(n) for n in NAMES[:2]), usual_factor("film_type")))
    numeric = Study("s", study.factors[:2])
    frame = known_coupons(numeric, 16, seed=3).assign(film_type=["hot", "cold"] * 8)
    for tried in (frame, frame.assign(film_type="hot")):
        answer = _asked(study, tried)
        assert answer.setpoint["film_type"] in ("hot", "cold")
        assert 0 <= answer.pass_rate_low <= 1
        assert set(answer.next_coupons["film_type"]) <= {"hot", "cold"}
    still = _asked(study, frame.assign(press_temp=155.0))
    assert words.said(study, still.limits_on_certainty)[0].startswith("Press temperature was not varied")


def test_a_level_nobody_tried_keeps_the_target_from_being_called_not_reachable() -> None:
    study = Study("s", (*(usual_factor(n) for n in NAMES[:2]), usual_factor("film_type")))
    numeric = Study("s", study.factors[:2])
    poor = known_coupons(numeric, 24, seed=2, top=0.5, steep=4.0)
    both, hot = (_asked(study, poor.assign(film_type=levels)) for levels in (["hot", "cold"] * 12, "hot"))
    assert (both.verdict, hot.verdict) == ("not reachable", "more coupons")
    assert "cold" in set(hot.next_coupons["film_type"])
    said = "No coupon was made with film type cold"
    assert [any(said in text for text in words.said(study, answer.warnings)) for answer in (both, hot)] == [False, True]
    earlier = Earlier(poor.assign(film_type="cold"), 1.0)  # an earlier study tried it
    assert _asked(study, poor.assign(film_type="hot"), earlier).verdict == "not reachable"


def test_scores_are_asked_for_only_where_a_coupon_of_this_study_can_be_felt() -> None:
    study, frame = _four_factors()
    passed = frame.drop(columns=HAND).assign(passed=True, side="")
    earlier = Earlier(passed, 1.0)
    spoilt = _asked(study, passed.head(1).assign(passed=False, side="other"), earlier)
    assert spoilt.pass_rate >= study.spec.pass_rate  # by the numbers only scores would be missing
    assert (spoilt.verdict, len(spoilt.next_coupons)) == ("more coupons", 8)
    assert not any("Score hand-feel of the coupons" in text for text in words.said(study, spoilt.warnings))
    whole = _asked(study, passed, Earlier(passed, 0.5))  # its own coupons weigh more
    assert (whole.verdict, whole.next_coupons.empty) == ("more coupons", True)
    assert any("Score hand-feel of the coupons" in text for text in words.said(study, whole.warnings))


def test_fewer_coupons_than_the_error_rates_were_counted_with_have_rates_of_their_own() -> None:
    study, frame = _four_factors()
    few = dict(words.method_words(_asked(study, frame.head(19)).method))["fewer than 20 coupons"]
    rate, called = WORSE_RATES["worse_false_ready_12"], WORSE_RATES["worse_called_12"]
    assert few.startswith(f"with 12, {rate} of 100 called ready (only {called} lines were) fell short")
    method = dict(words.method_words(_asked(study, frame).method))
    assert "fewer than 20 coupons" not in method
    assert "four factors, checks alone, wanted rate 95 %, one round" in method["simulated lines behind the error rates"]


def test_a_contradicted_pass_is_worth_less_than_a_lone_one() -> None:
    study = Study("s", tuple(usual_factor(n) for n in NAMES[:2]))
    once = known_coupons(study, 12, seed=4, top=6.0)
    at = pd.DataFrame({f.name: [(f.low + f.high) / 2] for f in study.factors})
    rates = [
        float(doe.fit(study, frame, seed=1, particles=300).predict(at)["p_pass"][0])
        for frame in (once, _contradictory(once))
    ]
    assert rates[1] < rates[0] - 0.1
    assert 0.2 < rates[1] < 0.8  # half of all coupons passed


def test_a_harsh_person_beside_another_changes_the_hand_feel_and_not_the_checks() -> None:
    study = Study("s", tuple(usual_factor(n) for n in NAMES[:2]))
    frame = known_coupons(study, 16, seed=4)
    harsh = CASES["one harsh person"](frame)
    at = pd.DataFrame({f.name: [(f.low + f.high) / 2] for f in study.factors})
    usual, changed = (doe.fit(study, f, seed=1, particles=400).predict(at).iloc[0] for f in (frame, harsh))
    assert changed["hand"] < usual["hand"] - 0.7  # the mean of a panel in which one always says 1
    assert changed["p_pass"] == pytest.approx(usual["p_pass"], abs=0.1)


def test_a_factor_that_never_moved_is_named_and_its_place_stays_open() -> None:
    study, surfaces, _ = _answered("a factor that never moved", 3, seed=6, coupons=20)
    said = words.said(study, surfaces.belief.facts)
    assert any("Press temperature was hardly varied" in text for text in said)
    assert surfaces.belief.learned["press_temp"] < 0.5  # passes at one temperature say that the best is not far


def test_coupons_counted_twice_look_surer_than_they_are_so_each_is_taken_once_by_its_name() -> None:
    study = Study("s", tuple(usual_factor(n) for n in NAMES[:2]))
    frame = known_coupons(study, 10, seed=2).assign(coupon=[f"R1-{i}" for i in range(10)])
    with pytest.raises(doe.InputError, match="each coupon once"):
        doe.fit(study, pd.concat([frame, frame], ignore_index=True))
