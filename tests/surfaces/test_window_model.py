"""The closing window model: its likelihood against a loop anyone can read, and what must hold for any draw."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t as t_distribution

from doe.domain.factors import Factor, usual_factor
from doe.domain.results import read_results
from doe.domain.study import Study
from doe.surfaces.hand_scores import mean_hand
from doe.surfaces.outcomes import OTHER_BLAMED, OTHER_SEEN, expit
from doe.surfaces.scaling import Scaling, quadratic_coefficients, quadratic_features
from doe.surfaces.window_model import HAND_FREEDOM, WindowModel


def test_model_coordinates_run_from_minus_one_to_one_and_back(study: Study) -> None:
    scaling = Scaling(study.factors)
    ends = pd.DataFrame({f.name: [f.low, f.high] for f in study.factors})
    assert scaling.z(ends) == pytest.approx(np.array([[-1.0] * 4, [1.0] * 4]))
    z = np.random.default_rng(0).uniform(-1, 1, (20, 4))
    back = scaling.z(pd.DataFrame(scaling.natural(z), columns=list(study.factor_names)))
    assert back == pytest.approx(z)


def test_a_temperature_acts_through_minus_one_over_kelvin(study: Study) -> None:
    f = study.factors[0]
    middle = -1 / ((-1 / (f.low + 273.15) - 1 / (f.high + 273.15)) / 2) - 273.15
    assert Scaling(study.factors).z_of(f, np.array([middle]))[0] == pytest.approx(0.0, abs=1e-9)


def test_quadratic_coefficients_are_the_expanded_square() -> None:
    rng = np.random.default_rng(1)
    lower = rng.standard_normal((6, 3, 3))
    curve = lower @ lower.transpose(0, 2, 1)
    top, peak, z = rng.standard_normal(6), rng.standard_normal((6, 3)), rng.standard_normal((10, 3))
    direct = np.array([[t - (x - p) @ a @ (x - p) for x in z] for t, p, a in zip(top, peak, curve, strict=True)])
    assert quadratic_coefficients(top, peak, curve) @ quadratic_features(z).T == pytest.approx(direct)


def _model(study: Study, frame: pd.DataFrame) -> WindowModel:
    results = read_results(study, frame)
    return WindowModel(Scaling(study.factors), results, mean_hand(results))


def test_likelihood_agrees_with_a_loop_over_coupons(study: Study, coupons: pd.DataFrame) -> None:
    frame = coupons.copy()
    failed = frame.index[~frame["passed"]]
    frame.loc[failed[0], "side"] = "other"
    frame.loc[failed[1], "side"] = "unknown"
    model = _model(study, frame)
    xi = np.random.default_rng(2).standard_normal((3, model.parameters))
    draws, fast = model.unpack(xi), model.log_likelihood(xi)
    batch_at, sd_at = model.slices, xi[:, model.slices["batch_sd"]]
    for d in range(3):
        total = 0.0
        for i in range(len(frame)):
            curve, away = draws.curve[d], model.z[i] - draws.peak[0, d]
            real, own = model.z[i].copy(), model.trial_variance[i].copy()
            for b, batch in enumerate(model.batches):
                spread = math.exp(model.priors.log_batch_error[0] + model.priors.log_batch_error[1] * sd_at[d, b])
                displaced = [0, 2][b]  # the temperatures of oven and press
                real[displaced] += (
                    spread
                    * math.sqrt(model.trial_variance[i, displaced])
                    * float(batch.members[i] @ xi[d, batch_at[f"batch_{b}"]])
                )
                own[displaced] /= 2
            # each batch by itself: the two are not taken together where factors stand in for each other
            eta = float(draws.logit[0, d] @ model.features[i])
            for displaced in (0, 2):
                there = model.z[i].copy()
                there[displaced] = real[displaced]
                eta += float(draws.logit[0, d] @ (quadratic_features(there[None])[0] - model.features[i]))
            error = np.diag(own)
            mean = eta - np.trace(curve @ error)
            spread = 4 * away @ curve @ error @ curve @ away + 2 * np.trace(curve @ error @ curve @ error)
            eta = mean / math.sqrt(1 + math.pi / 8 * spread)
            sound = 1 / (1 + math.exp(-eta))
            lapse, wrong = draws.lapse[d], draws.wrong_side[d]
            over = 1 / (1 + math.exp(-(draws.heat[0, d, 0] + draws.heat[0, d, 1:] @ real)))
            heat = (1 - lapse) * (1 - sound)
            stray = lapse * (1 - OTHER_SEEN) / 2
            side = frame["side"].iloc[i]
            if frame["passed"].iloc[i]:
                p = (1 - lapse) * sound
            elif side == "under":
                p = (1 - OTHER_BLAMED) * heat * ((1 - over) * (1 - wrong) + over * wrong) + stray
            elif side == "over":
                p = (1 - OTHER_BLAMED) * heat * (over * (1 - wrong) + (1 - over) * wrong) + stray
            elif side == "other":
                p = OTHER_SEEN * lapse + OTHER_BLAMED * heat
            else:
                p = lapse + heat
            total += math.log(p)
        for row, score, spread in zip(model.hand.rows, model.hand.score, model.hand.spread, strict=True):
            sd = draws.hand_sd[d] * spread
            lost = draws.depth[d] * np.trace(draws.shape[d] @ np.diag(model.trial_variance[row]))
            mean = float(draws.hand[0, d] @ model.features[row]) - lost
            given = frame[["hand_ana", "hand_ben"]].iloc[row].dropna()
            half = 0.25 / math.sqrt(len(given))  # halves of the scale, rounded
            ends = [-math.inf if (given <= 1).all() else score - half, math.inf if (given >= 5).all() else score + half]
            total += math.log(np.diff(t_distribution.cdf((np.array(ends) - mean) / sd, HAND_FREEDOM))[0])
        assert fast[d] == pytest.approx(total, rel=1e-7)  # a difference of tails


def test_draws_looked_at_in_portions_have_the_same_likelihood(
    study: Study, coupons: pd.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    model = _model(study, coupons)
    xi = np.random.default_rng(3).standard_normal((23, model.parameters))
    whole = model.log_likelihood(xi)
    monkeypatch.setattr("doe.surfaces.window_model._LOOK", 5 * len(coupons))
    assert model.log_likelihood(xi) == pytest.approx(whole, rel=1e-12)


def test_averaging_over_the_trials_error_agrees_with_plain_simulation(study: Study, coupons: pd.DataFrame) -> None:
    # The pass probability at a set value is the mean over real values; 20,000 random errors for each of 20 prior draws.
    model = _model(study, coupons.drop(columns=["cure_batch", "press_batch"]))
    draws = model.unpack(np.random.default_rng(5).standard_normal((20, model.parameters)))
    averaged = expit(model.trial_error.average(draws.eta(model.z), draws.curve, draws.peak).logit)
    rng = np.random.default_rng(6)
    for i in (0, 7, 19):
        wander = model.z[i] + np.sqrt(model.trial_variance[i]) * rng.standard_normal((20_000, 4))
        simulated = expit(draws.eta(wander)).mean(axis=1)
        assert np.abs(averaged[:, i] - simulated).max() < 0.1  # steep draws of the prior are the worst
        assert np.abs(averaged[:, i] - simulated).mean() < 0.03


def test_a_measured_setting_has_no_trial_error(study: Study, coupons: pd.DataFrame) -> None:
    variance = _model(study, coupons.assign(actual_press_temp=coupons["press_temp"])).trial_variance
    assert (variance[:, 2] == 0).all()
    assert (variance[:, [0, 1, 3]] > 0).all()


def test_the_ways_a_coupon_can_end_add_up_to_one(study: Study, coupons: pd.DataFrame) -> None:
    # the same settings ending in each way in turn, without batches
    frame = coupons.head(4).drop(columns=["cure_batch", "press_batch"])
    frame[list(study.factor_names)] = coupons[list(study.factor_names)].iloc[0].to_numpy()
    frame["passed"] = [True, False, False, False]
    frame["side"] = ["", "under", "over", "other"]
    model = _model(study, frame)
    xi = np.random.default_rng(3).standard_normal((50, model.parameters))
    assert np.exp(model.coupon_log_likelihood(xi)).sum(axis=1) == pytest.approx(np.ones(50))


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), factor=st.integers(0, 3))
def test_more_heat_never_makes_under_likelier_than_over(seed: int, factor: int) -> None:
    study = Study("s", tuple(usual_factor(n) for n in ("cure_temp", "cure_time", "press_temp", "dwell")))
    frame = pd.DataFrame({f.name: [f.low] for f in study.factors} | {"passed": [True]})
    model = _model(study, frame)
    draws = model.unpack(np.random.default_rng(seed).standard_normal((20, model.parameters)))
    z = np.zeros((5, 4))
    z[:, factor] = np.linspace(-1, 1, 5)
    assert (np.diff(draws.over_logit(z), axis=1) >= 0).all()


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_the_window_closes_in_every_direction(seed: int) -> None:
    study = Study("s", tuple(usual_factor(n) for n in ("cure_temp", "press_temp", "dwell")))
    frame = pd.DataFrame({f.name: [f.low] for f in study.factors} | {"passed": [True]})
    model = _model(study, frame)
    rng = np.random.default_rng(seed)
    draws = model.unpack(rng.standard_normal((10, model.parameters)))
    direction = rng.standard_normal(3)
    direction /= np.linalg.norm(direction)
    far = draws.peak[0, 0] + np.array([0.0, 30.0, 60.0])[:, None] * direction
    eta = draws.eta(far)[0]
    assert eta[0] > eta[1] > eta[2]


def test_people_who_score_higher_are_brought_to_one_scale() -> None:
    study = Study("s", tuple(usual_factor(n) for n in ("cure_temp", "dwell")))
    frame = pd.DataFrame(
        {
            "cure_temp": [120, 125, 130],
            "dwell": [10, 12, 14],
            "passed": [True, True, True],
            "hand_a": [4.0, 3.0, 4.5],
            "hand_b": [3.0, 2.0, math.nan],
        }
    )
    scores = mean_hand(read_results(study, frame))
    assert scores.offsets == pytest.approx([0.5, -0.5], abs=1e-6)
    assert scores.score == pytest.approx([3.5, 2.5, 4.0], abs=1e-6)


def test_each_level_of_a_categorical_factor_has_its_own_peak() -> None:
    factors = (usual_factor("press_temp"), usual_factor("dwell"), Factor("film", levels=("hot", "cold", "warm")))
    study = Study("s", factors)
    frame = pd.DataFrame(
        {"press_temp": [150.0] * 3, "dwell": [12.0] * 3, "film": ["hot", "cold", "warm"], "passed": True}
    )
    model = _model(study, frame)
    draws = model.unpack(np.random.default_rng(4).standard_normal((8, model.parameters)))
    assert model.combinations == 3
    assert draws.logit.shape == (3, 8, 6)
    assert not np.allclose(draws.logit[0], draws.logit[1])
    assert not np.allclose(draws.logit[1], draws.logit[2])


def test_expit_does_not_overflow() -> None:
    assert expit(np.array([-1e4, 0.0, 1e4])) == pytest.approx([0.0, 0.5, 1.0])
