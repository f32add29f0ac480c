"""Slopes of the closing window's log likelihood against differences of the model's own values."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from doe.domain.factors import Factor
from doe.domain.results import read_results
from doe.domain.study import Study
from doe.surfaces import window_gradient
from doe.surfaces.hand_scores import mean_hand
from doe.surfaces.outcomes import Outcomes
from doe.surfaces.scaling import Scaling
from doe.surfaces.window_gradient import TemperedWindow
from doe.surfaces.window_model import WindowModel

KINDS = ("pass", "under", "over", "other", "unknown")


def _study(factors: int, levels: bool) -> Study:
    numeric = (
        Factor("cure_temp", "degC", low=110, high=140, setting_sd=4, hard_to_change=True),
        Factor("dwell", "s", low=8, high=20, setting_sd=1, scale="log"),
        Factor("pressure", "bar", low=2, high=5, setting_sd=0.2),
        Factor("press_temp", "degC", low=140, high=170, setting_sd=5, hard_to_change=True),
    )[:factors]
    named = (Factor("film", levels=("matt", "gloss", "clear")), Factor("peel", levels=("hot", "cold")))
    return Study("slopes", numeric + (named if levels else ()))


def _model(study: Study, *, measured: bool, hand: bool, weights: bool, waits: bool = False) -> WindowModel:
    rng = np.random.default_rng(5)
    n = 30
    frame = pd.DataFrame(
        {f.name: rng.choice(f.levels, n) if f.is_categorical else rng.uniform(f.low, f.high, n) for f in study.factors}
    )
    kind = np.array(KINDS)[np.arange(n) % len(KINDS)]
    frame["passed"] = kind == "pass"
    frame["side"] = np.where(kind == "pass", "", kind)
    frame["hand_ana"] = np.where(hand & (kind == "pass"), rng.integers(4, 10, n) / 2, np.nan)
    frame["hand_ben"] = np.where(hand & (kind == "pass") & (rng.random(n) < 0.5), 3.5, np.nan)
    frame["cure_batch"] = np.arange(n) % 4
    frame["press_batch"] = np.arange(n) // 7
    if measured:
        frame["actual_cure_temp"] = frame["cure_temp"] + 1.0
    if waits:  # some passes for a check at the press, half for a wash, and some for both
        frame["check_release"], frame["check_wash_1"] = True, np.where(np.arange(n) % 4 < 2, True, None)
        frame["check_stretch"] = frame["passed"].where((np.arange(n) % 3 > 0) | ~frame["passed"])
        frame["check_wash_5"] = frame["check_wash_1"]
    results = read_results(study, frame)
    own = rng.uniform(0.2, 1.0, n) if weights else None
    return WindowModel(Scaling(study.factors), results, mean_hand(results), weights=own)


@pytest.mark.parametrize(
    ("factors", "levels", "measured", "hand", "weights", "waits"),
    [
        (4, False, False, True, False, False),
        (2, False, True, True, True, True),
        (3, True, False, True, True, False),
        (2, True, False, False, False, False),
        (2, False, False, True, False, True),
    ],
)
def test_slopes_are_those_of_the_models_own_values(
    factors: int, levels: bool, measured: bool, hand: bool, weights: bool, waits: bool
) -> None:
    model = _model(_study(factors, levels), measured=measured, hand=hand, weights=weights, waits=waits)
    assert model.to_come.kinds == 2 * waits
    xi = np.random.default_rng(factors).standard_normal((7, model.parameters))
    value, slopes = TemperedWindow(model).slopes(xi)
    assert value == pytest.approx(model.log_likelihood(xi), rel=1e-10)
    step = 1e-5
    for j in range(model.parameters):
        ahead, behind = xi.copy(), xi.copy()
        ahead[:, j] += step
        behind[:, j] -= step
        expected = (model.log_likelihood(ahead) - model.log_likelihood(behind)) / (2 * step)
        assert slopes[:, j] == pytest.approx(expected, rel=1e-5, abs=1e-6), j
    assert np.abs(slopes).max(axis=0).min() > 0 or not hand  # every parameter is felt by some result


def test_many_draws_are_looked_at_in_portions_without_changing_anything(monkeypatch: pytest.MonkeyPatch) -> None:
    model = _model(_study(4, False), measured=False, hand=True, weights=False)
    xi = np.random.default_rng(0).standard_normal((50, model.parameters))
    whole = TemperedWindow(model).slopes(xi)
    monkeypatch.setattr("doe.surfaces.window_gradient._LOOK", 30 * 7)
    parts = TemperedWindow(model).slopes(xi)
    assert parts[0] == pytest.approx(whole[0], rel=1e-12)
    assert parts[1] == pytest.approx(whole[1], rel=1e-10, abs=1e-12)


@pytest.mark.parametrize("power", [1e-4, 0.3, 1.0])
def test_at_any_power_checks_are_weakened_and_scores_blurred(power: float) -> None:
    model = _model(_study(2, True), measured=False, hand=True, weights=True)
    xi = np.random.default_rng(3).standard_normal((6, model.parameters))
    draws = model.unpack(xi)
    blurred = np.sqrt(draws.hand_sd**2 + np.exp(2 * model.priors.log_hand_sd[0]) * (1 - power) / power)
    expected = power * model.coupon_log_likelihood(xi) @ model.weights
    scored = model.weights[model.hand.rows]
    expected += model.hand_log_chance(model.hand_means(draws), blurred) @ scored
    tempered = TemperedWindow(model)
    assert tempered.ahead(xi)(power) == pytest.approx(expected, rel=1e-12)
    value, slopes = tempered.slopes(xi, power)
    assert value == pytest.approx(expected, rel=1e-12)
    step = 1e-5
    for j in range(model.parameters):
        ends = [tempered.ahead(xi + sign * step * np.eye(model.parameters)[j])(power) for sign in (1, -1)]
        assert slopes[:, j] == pytest.approx((ends[0] - ends[1]) / (2 * step), rel=1e-5, abs=1e-6), j


def test_a_cut_that_no_coupon_has_a_grade_for_changes_nothing() -> None:
    rng = np.random.default_rng(3)
    passed = np.array([True, False, True, False, True])
    points = np.where(passed[:, None], 0.0, [[0.7, 0.2, 0.1]])
    ungraded = Outcomes(passed, points, np.full(5, ""), np.arange(5) == 2)
    eta, over = rng.normal(size=(4, 5)), rng.normal(size=(4, 5))
    lapse, wrong, late, weights = np.full(4, 0.05), np.full(4, 0.1), np.full((4, 5), 0.4), np.ones(5)
    near, far = (
        ungraded.slopes(eta, over, lapse, wrong, np.full((4, 5), width), late, weights) for width in (0.3, 3.0)
    )
    for name in ("value", "logit", "over", "lapse", "wrong"):
        np.testing.assert_array_equal(getattr(near, name), getattr(far, name))
    assert not near.width.any()
    # a grade does change them
    graded = Outcomes(passed, points, np.array(["clean", "", "", "", ""]), np.zeros(5, dtype=bool))
    cut = graded.slopes(eta, over, lapse, wrong, np.full((4, 5), 0.3), late, weights)
    assert (cut.value[:, 0] < near.value[:, 0]).all()


@pytest.mark.parametrize(("levels", "hand"), [(True, True), (False, True), (False, False)])
def test_draws_looked_at_in_portions_are_those_looked_at_together(
    levels: bool, hand: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    model = _model(_study(3, levels), measured=False, hand=hand, weights=True)
    xi = np.random.default_rng(2).standard_normal((20, model.parameters))
    whole = TemperedWindow(model)
    values, slopes, ahead = *whole.slopes(xi, 0.4), whole.ahead(xi)(0.4)
    monkeypatch.setattr(window_gradient, "_LOOK", 7 * len(model.passed))
    np.testing.assert_allclose(whole.ahead(xi)(0.4), ahead, rtol=1e-12)
    for found, expected in zip(whole.slopes(xi, 0.4), (values, slopes), strict=True):
        np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-9)
