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
from doe.setpoint.robust import RobustRate
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
