"""Chances that are said for shares of draws."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.special import expit, logit

from doe.domain.spec import Spec
from doe.domain.study import Study
from doe.setpoint.chances import HAND_LOWER, LEAST, Claim, lower_hand, said_chance, share_of_draws
from tests.benchmarks.chances import fitted

CLAIMS: tuple[Claim, ...] = get_args(Claim)


@pytest.fixture(params=[None, 3.5], ids=["checks", "hand"])
def plain(request: pytest.FixtureRequest, study: Study) -> Study:
    return replace(study, spec=Spec(pass_rate=0.95, hand_min=request.param))


@pytest.fixture(params=[False, True], ids=["plain", "graded"])
def asked(request: pytest.FixtureRequest, plain: Study) -> Study:
    return replace(plain, grades=request.param)


@pytest.mark.parametrize("claim", CLAIMS)
def test_more_draws_are_never_a_smaller_chance_and_the_way_back_is_the_same(asked: Study, claim: Claim) -> None:
    share = np.linspace(LEAST, 1 - LEAST, 99)
    said = said_chance(asked, share, claim)
    assert (np.diff(said) > 0).all()
    assert said[0] > 0
    assert said[-1] < 1
    np.testing.assert_allclose([share_of_draws(asked, c, claim) for c in said], share, atol=1e-12)
    assert said_chance(asked, 0.0, claim) == said[0]


def test_graded_coupons_have_pairs_of_their_own_in_a_single_round_only(plain: Study) -> None:
    graded, search = replace(plain, grades=True), replace(plain, grades=True, most_coupons=40)
    assert said_chance(graded, 0.6, "setpoint reaches") < said_chance(plain, 0.6, "setpoint reaches")
    assert said_chance(search, 0.6, "setpoint reaches") == said_chance(plain, 0.6, "setpoint reaches")


def test_that_any_setting_reaches_is_likelier_than_the_draws_say(asked: Study) -> None:
    assert said_chance(asked, 0.4, "any reaches") > 0.7


def test_the_lower_limit_of_hand_feel_lies_further_down_than_that_of_the_draws() -> None:
    assert lower_hand(4.4, 4.3) == pytest.approx(4.4 - HAND_LOWER * 0.1)
    assert lower_hand(4.4, 4.4) == 4.4
    assert lower_hand(2.0, 1.1) == 1.0  # the scale ends there


@pytest.mark.parametrize("seed", range(12))
def test_shift_and_slope_are_those_of_a_logistic_regression(seed: int) -> None:
    # statsmodels 0.14 as a second opinion; many shares lie at the end, as they do where no draw reaches the target
    rng = np.random.default_rng(seed)
    share = np.clip(rng.beta(0.3, 1.0, 600), LEAST, 1 - LEAST)
    truth = rng.random(600) < expit(rng.normal(1.5, 1.0) + rng.uniform(0.5, 1.5) * logit(share))
    reference = sm.Logit(truth, sm.add_constant(logit(share))).fit(disp=0)
    assert fitted(share, truth) == pytest.approx(tuple(reference.params), abs=1e-3)
