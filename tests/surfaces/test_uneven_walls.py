"""Windows that close faster on one side, as the benchmark tries them: without a tilt they are the closing window."""

from __future__ import annotations

import numpy as np
import pytest

import doe
from doe.practice.coupons import DEFAULT_SCORING
from doe.surfaces.fitted import Surfaces
from doe.surfaces.window_model import WindowModel
from tests.benchmarks.decision_case import line_of
from tests.benchmarks.uneven_walls import log_likelihood, mixed, uneven


@pytest.fixture(scope="module")
def surfaces() -> Surfaces:
    line = line_of("bowl", 3, hand=False)
    plan = doe.make_plan(line.study, coupons=16, seed=3)
    return doe.fit(line.study, line.run(plan.coupons, 3, DEFAULT_SCORING), seed=3)


def test_without_a_tilt_the_likelihood_and_the_surface_are_those_of_the_closing_window(surfaces: Surfaces) -> None:
    model, xi = surfaces.model, surfaces.xi
    assert isinstance(model, WindowModel)
    assert xi is not None
    even = log_likelihood(model, xi, np.zeros((len(xi), model.k)))
    assert even == pytest.approx(model.coupon_log_likelihood(xi) @ model.weights, abs=1e-9)
    found = uneven(surfaces, 0.35, np.random.default_rng(1))
    z = np.random.default_rng(0).uniform(-1.2, 1.2, (9, model.k))
    same = mixed(surfaces, found, 0.0, np.random.default_rng(1)).draws.eta(z)
    assert same == pytest.approx(surfaces.draws.eta(z), abs=1e-9)
    assert np.abs(mixed(surfaces, found, 1.0, np.random.default_rng(1)).draws.eta(z) - same).max() > 0.1


def test_a_tilt_that_hardly_tilts_neither_gains_nor_loses(surfaces: Surfaces) -> None:
    found = uneven(surfaces, 1e-6, np.random.default_rng(1))
    assert found.log_ratio == pytest.approx(0.0, abs=1e-4)
    assert found.effective == pytest.approx(surfaces.draws.count, rel=1e-3)
