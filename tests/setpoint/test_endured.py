"""Levels on all of which one setting must hold: judged by the worst, whatever they are called."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import doe
from doe.domain.errors import InputError
from doe.domain.factors import EVERY_LEVEL
from doe.domain.units import METRIC
from doe.setpoint.curves import profile
from doe.setpoint.robust import RobustRate
from doe.words.study.answer import window_sentences
from doe.words.typed import factor
from tests.shared import known_coupons

PLATEN = doe.Factor("platen", levels=("left", "right"), endured=True)


@pytest.fixture(scope="module")
def study() -> doe.Study:
    factors = tuple(doe.usual_factor(name) for name in ("press_temp", "dwell"))
    return doe.Study("two platens", (*factors, PLATEN), spec=doe.Spec(pass_rate=0.9, hand_min=None))


@pytest.fixture(scope="module")
def coupons(study: doe.Study) -> pd.DataFrame:
    """A window that lies 6 degC apart on the two platens."""
    made = []
    for level, shift in (("left", 0.0), ("right", 6.0)):
        one = known_coupons(replace(study, factors=study.factors[:2]), 16, seed=len(level))
        made.append(one.assign(press_temp=one["press_temp"] + shift, platen=level))
    return pd.concat(made, ignore_index=True).drop(columns=["hand_ana", "hand_ben"])


def test_the_rate_is_that_of_the_worst_level(study: doe.Study, coupons: pd.DataFrame) -> None:
    surfaces = doe.fit(study, coupons, seed=1)
    chosen = replace(study, factors=(*study.factors[:2], replace(PLATEN, endured=None)))
    answer = doe.recommend(study, surfaces, seed=1)
    assert answer.setpoint["platen"] == EVERY_LEVEL
    here = pd.DataFrame([dict(answer.setpoint)])
    each = [RobustRate(chosen, surfaces).draws(here.assign(platen=level), nodes=64) for level in PLATEN.levels]
    assert answer.pass_rate == pytest.approx(np.minimum(*each).mean())
    assert answer.pass_rate < min(found.mean() for found in each) + 1e-9
    best = doe.recommend(chosen, surfaces, seed=1)
    assert best.pass_rate > answer.pass_rate
    # the next coupons are made on real levels, each in its turn
    if len(answer.next_coupons):
        assert set(answer.next_coupons["platen"]) == set(PLATEN.levels)


def test_what_the_levels_are_called_changes_nothing(study: doe.Study, coupons: pd.DataFrame) -> None:
    other = {"left": "zulu", "right": "alpha"}
    renamed = replace(study, factors=(*study.factors[:2], replace(PLATEN, levels=("alpha", "zulu"))))
    first = doe.recommend(study, doe.fit(study, coupons, seed=1), seed=1)
    again = doe.recommend(
        renamed, doe.fit(renamed, coupons.assign(platen=coupons["platen"].map(other)), seed=1), seed=1
    )
    assert again.pass_rate == pytest.approx(first.pass_rate, abs=0.03)
    assert again.setpoint["press_temp"] == pytest.approx(first.setpoint["press_temp"], abs=4)


def test_a_setting_forbidden_on_one_level_is_forbidden(study: doe.Study, coupons: pd.DataFrame) -> None:
    hot = doe.Forbidden.parse("platen = right and press_temp >= 150", study.factors)
    limited = replace(study, forbidden=(hot,))
    answer = doe.recommend(limited, doe.fit(limited, coupons, seed=1), seed=1)
    assert float(answer.setpoint["press_temp"]) < 150


def test_a_level_without_a_coupon_is_never_ready(study: doe.Study) -> None:
    easy = replace(study, spec=doe.Spec(pass_rate=0.8, hand_min=None))
    alone = replace(easy, factors=easy.factors[:2])
    made = known_coupons(alone, 28, seed=5, top=7, steep=2.0).drop(columns=["hand_ana", "hand_ben"])
    both = doe.recommend(easy, doe.fit(easy, made.assign(platen=["left", "right"] * 14), seed=1), seed=1)
    assert both.verdict == "ready"
    assert both.assured_window is not None
    one = doe.recommend(easy, doe.fit(easy, made.assign(platen="left"), seed=1), seed=1)
    assert one.pass_rate_low > 0.9
    assert one.verdict == "more coupons"
    assert one.assured_window is None
    assert "on every level" in window_sentences(easy, one)[1]


def test_hand_feel_and_sides_are_those_of_the_worst_level_whatever_was_typed_first(study: doe.Study) -> None:
    felt = replace(study, spec=doe.Spec(pass_rate=0.8, hand_min=3.5))
    made = []
    for level, shift, stiff in (("left", -6.0, 0.0), ("right", 6.0, 1.0)):
        one = known_coupons(replace(felt, factors=felt.factors[:2]), 20, seed=len(level))
        hands = {name: (one[name] - stiff).clip(1, 5) for name in ("hand_ana", "hand_ben")}
        made.append(one.assign(press_temp=one["press_temp"] + shift, platen=level, **hands))
    coupons = pd.concat(made, ignore_index=True)
    turned = replace(felt, factors=(*felt.factors[:2], replace(PLATEN, levels=("right", "left"))))
    answers, curves = [], []
    for asked in (felt, turned):
        surfaces = doe.fit(asked, coupons, seed=1)
        answers.append(doe.recommend(asked, surfaces, seed=1))
        curves.append(profile(asked, surfaces, answers[-1], "press_temp", n=7))
        here = pd.DataFrame([dict(answers[-1].setpoint)])
        each = [surfaces.predict(here.assign(platen=level)).iloc[0] for level in PLATEN.levels]
        every = surfaces.predict(here).iloc[0]
        assert every["hand"] == min(found["hand"] for found in each)
        worst = min(each, key=lambda found: found["p_pass"])
        assert every[["p_pass", "p_under", "p_over"]].equals(worst[["p_pass", "p_under", "p_over"]])
        assert answers[-1].hand == pytest.approx(every["hand"])
        assert each[0]["hand"] > each[1]["hand"] + 0.3
    for name in ("hand", "p_under", "p_over", "pass_rate"):
        np.testing.assert_allclose(getattr(curves[0], name), getattr(curves[1], name), atol=1e-9)


def test_it_is_typed_as_a_word_after_the_levels() -> None:
    assert factor("platen=left/right,every", METRIC) == PLATEN
    assert factor("platen=left/right", METRIC).endured is None
    for text in ("dwell=8..20,every", "platen=left/every,every"):
        with pytest.raises(InputError, match="every"):
            factor(text, METRIC)


def test_every_is_the_word_for_it_in_python_too() -> None:
    assert doe.Factor("platen", levels=("left", "right"), every=True) == PLATEN
    assert replace(PLATEN, label="plate").endured
    with pytest.raises(InputError, match="levels"):
        doe.Factor("dwell", "s", low=8, high=20, every=True)
