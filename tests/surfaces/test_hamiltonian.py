"""Moves along slopes against cases with a known answer."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from doe.surfaces.hamiltonian import sample_by_slopes

FloatArray = np.ndarray


class Powered:
    """A likelihood raised to the power, with slopes by a function of its own."""

    def __init__(
        self, parameters: int, value: Callable[[FloatArray], FloatArray], slope: Callable[[FloatArray], FloatArray]
    ) -> None:
        self.parameters, self.value, self.slope = parameters, value, slope

    def ahead(self, xi: FloatArray) -> Callable[[float], FloatArray]:
        fitted = self.value(xi)
        return lambda power: power * fitted

    def slopes(self, xi: FloatArray, power: float) -> tuple[FloatArray, FloatArray]:
        return power * self.value(xi), power * self.slope(xi)


def test_conjugate_normal_posterior_and_evidence_are_found() -> None:
    # prior N(0, 1), one observation y of sd s: posterior N(y / (1 + s^2), s^2 / (1 + s^2)), evidence N(y; 0, 1 + s^2)
    y, s = np.array([1.5, -2.0, 0.3]), np.array([0.1, 1.0, 3.0])
    model = Powered(
        3,
        lambda x: (-0.5 * ((y - x) / s) ** 2 - np.log(s) - 0.5 * np.log(2 * np.pi)).sum(axis=1),
        lambda x: (y - x) / s**2,
    )
    cloud = sample_by_slopes(model, rng=np.random.default_rng(1), particles=4000)
    # standard error of a mean of 4000 draws is 0.016 sd; five of them
    sd = s / np.sqrt(1 + s**2)
    assert (cloud.draws.mean(axis=0) - y / (1 + s**2)) / sd == pytest.approx(np.zeros(3), abs=0.08)
    assert cloud.draws.std(axis=0) == pytest.approx(sd, rel=0.08)
    evidence = (-0.5 * y**2 / (1 + s**2) - 0.5 * np.log(2 * np.pi * (1 + s**2))).sum()
    assert cloud.log_evidence == pytest.approx(evidence, abs=0.15)


def test_a_narrow_and_tilted_posterior_of_many_parameters_is_found() -> None:
    # forty parameters seen through a random mixture with errors of 0.2: normal with a known mean and covariance
    rng = np.random.default_rng(4)
    mixed, y = rng.standard_normal((40, 40)) / 4, rng.standard_normal(40)
    covariance = np.linalg.inv(np.eye(40) + mixed.T @ mixed / 0.04)
    mean = covariance @ mixed.T @ y / 0.04
    model = Powered(
        40,
        lambda x: -0.5 * ((y - x @ mixed.T) ** 2).sum(axis=1) / 0.04,
        lambda x: (y - x @ mixed.T) @ mixed / 0.04,
    )
    draws = sample_by_slopes(model, rng=rng, particles=1500).draws
    sd = np.sqrt(np.diag(covariance))
    assert (draws.mean(axis=0) - mean) / sd == pytest.approx(np.zeros(40), abs=0.2)
    assert (draws.std(axis=0) / sd).mean() == pytest.approx(1.0, abs=0.05)


def test_without_data_the_draws_are_the_prior() -> None:
    model = Powered(5, lambda x: np.zeros(len(x)), np.zeros_like)
    cloud = sample_by_slopes(model, rng=np.random.default_rng(2), particles=4000)
    assert cloud.draws.mean(axis=0) == pytest.approx(np.zeros(5), abs=0.08)
    assert cloud.draws.var(axis=0) == pytest.approx(np.ones(5), rel=0.12)
    assert cloud.log_evidence == pytest.approx(0.0, abs=1e-9)
    assert cloud.steps == 1


def test_a_trajectory_that_runs_away_is_refused() -> None:
    # beyond 1 the value is not a number and the slope infinite: nothing may end there
    model = Powered(
        2,
        lambda x: np.where(x[:, 0] > 1, np.nan, -0.5 * x[:, 1] ** 2),
        lambda x: np.stack([np.where(x[:, 0] > 1, np.inf, 0.0), -x[:, 1]], axis=1),
    )
    rng = np.random.default_rng(3)
    model.ahead = lambda xi: lambda power: np.where(xi[:, 0] > 1, -1e9, power * -0.5 * xi[:, 1] ** 2)  # type: ignore[method-assign]
    draws = sample_by_slopes(model, rng=rng, particles=500).draws
    assert np.isfinite(draws).all()
    assert draws[:, 0].max() <= 1
    assert draws[:, 1].std() == pytest.approx(np.sqrt(0.5), rel=0.15)


def test_same_seed_same_draws() -> None:
    model = Powered(2, lambda x: -(x**2).sum(axis=1), lambda x: -2 * x)
    first, second = (sample_by_slopes(model, rng=np.random.default_rng(7), particles=100) for _ in range(2))
    assert np.array_equal(first.draws, second.draws)


def test_the_power_reached_is_told() -> None:
    told: list[float] = []
    model = Powered(2, lambda x: -50 * (x**2).sum(axis=1), lambda x: -100 * x)
    cloud = sample_by_slopes(model, rng=np.random.default_rng(0), particles=200, progress=told.append)
    assert told == sorted(told)
    assert len(told) == cloud.steps > 1
    assert told[-1] == 1.0
