"""Results no plan asked for: nothing breaks, and what is said stays inside what such results can carry."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from tests_shared import known_coupons

import doe
from doe.domain.factors import usual_factor
from doe.domain.study import Study
from doe.setpoint import RobustRate, explain_answer
from doe.setpoint.next_coupons import choose_next
from doe.setpoint.search import find_setpoint

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


def _answered(case: str, factors: int, seed: int, coupons: int = 12) -> tuple[Study, doe.Surfaces, doe.Answer]:
    study = Study(case, tuple(usual_factor(n) for n in NAMES[:factors]))
    frame = CASES[case](known_coupons(study, coupons, seed))
    surfaces = doe.fit(study, frame, seed=seed, particles=80)
    return study, surfaces, doe.recommend(study, surfaces, seed=seed)


def _check(study: Study, surfaces: doe.Surfaces, answer: doe.Answer) -> None:
    assert 0 <= answer.pass_rate_low <= answer.pass_rate <= 1
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


@pytest.mark.parametrize(
    "case", ["all failed", "one coupon, passed", "one coupon, failed", "contradictory repeats", "no factor moved"]
)
def test_results_that_show_no_window_are_never_ready(case: str) -> None:
    for factors in (2, 4):
        _, surfaces, answer = _answered(case, factors, seed=5)
        assert answer.verdict != "ready"
        assert answer.pass_rate_low < 0.9
        assert surfaces.warnings or surfaces.belief.sentences


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
    _, surfaces, _ = _answered("a factor that never moved", 3, seed=6, coupons=20)
    assert any("Press temperature was hardly varied" in text for text in surfaces.belief.sentences)
    assert surfaces.belief.learned["press_temp"] < 0.5  # passes at one temperature say that the best is not far


def test_coupons_counted_twice_look_surer_than_they_are_so_each_is_taken_once_by_its_name() -> None:
    study = Study("s", tuple(usual_factor(n) for n in NAMES[:2]))
    frame = known_coupons(study, 10, seed=2).assign(coupon=[f"R1-{i}" for i in range(10)])
    with pytest.raises(doe.InputError, match="each coupon once"):
        doe.fit(study, pd.concat([frame, frame], ignore_index=True))
