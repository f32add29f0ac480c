"""An answer does not depend on the order in which factors and levels are typed."""

from __future__ import annotations

from dataclasses import replace

import pytest

import doe
from tests.shared import known_coupons


def test_factors_in_another_order_give_the_same_answer(study: doe.Study) -> None:
    coupons = known_coupons(study, 20, seed=9)
    turned = replace(study, factors=study.factors[::-1])
    first, again = (
        doe.recommend(asked, doe.fit(asked, coupons, seed=4, particles=600), seed=4) for asked in (study, turned)
    )
    assert dict(again.setpoint) == dict(first.setpoint)
    for name in ("pass_rate", "pass_rate_low", "p_target", "p_reachable", "best_pass_rate", "hand"):
        assert getattr(again, name) == pytest.approx(getattr(first, name), abs=1e-9), name
    assert again.verdict == first.verdict
    assert (again.window is None) == (first.window is None)


def test_levels_in_another_order_give_the_same_answer() -> None:
    film = doe.Factor("film", levels=("hot", "cold"))
    numeric = tuple(doe.usual_factor(name) for name in ("press_temp", "dwell"))
    study = doe.Study("levels", (*numeric, film), spec=doe.Spec(pass_rate=0.9, hand_min=None))
    coupons = known_coupons(replace(study, factors=numeric), 24, seed=2).drop(columns=["hand_ana", "hand_ben"])
    coupons["film"] = ["hot", "cold"] * 12
    turned = replace(study, factors=(*numeric, replace(film, levels=("cold", "hot"))))
    first, again = (
        doe.recommend(asked, doe.fit(asked, coupons, seed=4, particles=600), seed=4) for asked in (study, turned)
    )
    assert dict(again.setpoint) == dict(first.setpoint)
    assert again.pass_rate == pytest.approx(first.pass_rate, abs=1e-9)
    assert again.p_reachable == pytest.approx(first.p_reachable, abs=1e-9)
