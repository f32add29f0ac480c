"""A trial's own setting error: what a careful trial tells more than a hasty one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from doe.domain.results import read_results
from doe.domain.study import Study
from doe.surfaces.fitted import fit
from doe.surfaces.hand_scores import mean_hand
from doe.surfaces.scaling import Scaling
from doe.surfaces.window_model import WindowModel
from tests.shared import known_coupons


def with_trial(study: Study, share: float) -> Study:
    """The study with a trial error of a share of production's in every factor."""
    return replace(study, factors=tuple(replace(f, trial_sd=share * f.setting_sd) for f in study.factors))


def variance(study: Study, frame: pd.DataFrame) -> np.ndarray:
    results = read_results(study, frame)
    return WindowModel(Scaling(study.factors), results, mean_hand(results)).trial_variance


def test_trial_error_is_the_one_stated_and_else_productions(study: Study, coupons: pd.DataFrame) -> None:
    usual = variance(study, coupons)
    assert variance(with_trial(study, 1), coupons) == pytest.approx(usual)
    assert variance(with_trial(study, 0.5), coupons) == pytest.approx(usual / 4)
    assert not variance(with_trial(study, 0), coupons).any()


def test_measured_settings_have_no_trial_error_whatever_is_stated(study: Study, coupons: pd.DataFrame) -> None:
    measured = coupons.assign(actual_press_temp=coupons["press_temp"])
    found = variance(with_trial(study, 2), measured)
    assert (found[:, 2] == 0).all()
    assert (found[:, [0, 1, 3]] > 0).all()


def test_the_same_coupons_of_a_careful_trial_place_the_window_closer(study: Study) -> None:
    # the less the coupons' real settings are in doubt, the less doubt is left about where the best place is
    trials = [known_coupons(study, 28, seed=seed) for seed in (1, 2)]
    spread = [
        np.mean([fit(with_trial(study, share), made, seed=1).draws.peak[0].std(axis=0).mean() for made in trials])
        for share in (0.0, 1.0, 2.0)
    ]
    assert spread[0] < spread[1] < spread[2]
    assert spread[2] > 1.04 * spread[0]
