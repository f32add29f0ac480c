"""The sampler against cases with a known answer."""

from __future__ import annotations

import numpy as np
import pytest

from doe.surfaces.sampler import sample


def test_conjugate_normal_posterior_and_evidence_are_found() -> None:
    # prior N(0, 1), one observation y of sd s: posterior N(y / (1 + s^2), s^2 / (1 + s^2)), evidence N(y; 0, 1 + s^2)
    y, s = np.array([1.5, -2.0, 0.3]), np.array([0.3, 1.0, 3.0])

    def log_likelihood(x: np.ndarray) -> np.ndarray:
        return (-0.5 * ((y - x) / s) ** 2 - np.log(s) - 0.5 * np.log(2 * np.pi)).sum(axis=1)

    cloud = sample(log_likelihood, 3, rng=np.random.default_rng(1), particles=4000)
    # standard error of a mean of 4000 draws is 0.016 sd; five of them
    assert cloud.draws.mean(axis=0) == pytest.approx(y / (1 + s**2), abs=0.08)
    assert cloud.draws.var(axis=0) == pytest.approx(s**2 / (1 + s**2), rel=0.15)
    evidence = (-0.5 * y**2 / (1 + s**2) - 0.5 * np.log(2 * np.pi * (1 + s**2))).sum()
    assert cloud.log_evidence == pytest.approx(evidence, abs=0.15)


def test_without_data_the_draws_are_the_prior() -> None:
    cloud = sample(lambda x: np.zeros(len(x)), 5, rng=np.random.default_rng(2), particles=4000)
    assert cloud.draws.mean(axis=0) == pytest.approx(np.zeros(5), abs=0.08)
    assert cloud.draws.var(axis=0) == pytest.approx(np.ones(5), rel=0.12)
    assert cloud.log_evidence == pytest.approx(0.0, abs=1e-9)
    assert cloud.steps == 1


def test_two_humps_both_keep_their_share() -> None:
    # a likelihood with equal humps at -2 and +2: the posterior is symmetric, so each side holds half
    def log_likelihood(x: np.ndarray) -> np.ndarray:
        return np.logaddexp(-0.5 * ((x[:, 0] - 2) / 0.2) ** 2, -0.5 * ((x[:, 0] + 2) / 0.2) ** 2)

    shares = [
        float((sample(log_likelihood, 2, rng=np.random.default_rng(seed), particles=2000).draws[:, 0] > 0).mean())
        for seed in range(6)
    ]
    assert np.mean(shares) == pytest.approx(0.5, abs=0.08)


def test_posterior_of_a_proportion_agrees_with_integration_on_a_dense_grid() -> None:
    # x ~ N(0, 1) through the logit, 7 of 9 passed; mean by quadrature on 200,001 points
    def log_likelihood(x: np.ndarray) -> np.ndarray:
        return 7 * -np.logaddexp(0, -x[:, 0]) + 2 * -np.logaddexp(0, x[:, 0])

    grid = np.linspace(-8, 8, 200_001)
    weight = np.exp(log_likelihood(grid[:, None]) - 0.5 * grid**2)
    mean = (grid * weight).sum() / weight.sum()
    sd = np.sqrt(((grid - mean) ** 2 * weight).sum() / weight.sum())
    draws = sample(log_likelihood, 1, rng=np.random.default_rng(3), particles=8000).draws[:, 0]
    assert draws.mean() == pytest.approx(mean, abs=5 * sd / np.sqrt(8000) * 1.5)
    assert draws.std() == pytest.approx(sd, rel=0.05)


def test_same_seed_same_draws() -> None:
    def log_likelihood(x: np.ndarray) -> np.ndarray:
        return -(x**2).sum(axis=1)

    first, second = (sample(log_likelihood, 2, rng=np.random.default_rng(7), particles=100) for _ in range(2))
    assert np.array_equal(first.draws, second.draws)


def test_ranks_of_the_truth_are_uniform_over_repeated_prior_draws() -> None:
    # Simulation-based calibration (Talts et al. 2018, arXiv:1804.06788): with truth from the prior, its rank among
    # posterior draws is uniform. 120 repeats; the mean rank has standard error 0.026 of the scale, so five of them.
    rng = np.random.default_rng(11)
    shares = []
    for _ in range(120):
        truth = rng.standard_normal(2)
        passed = rng.random(12) < 1 / (1 + np.exp(-(truth[0] + truth[1] * np.linspace(-2, 2, 12))))

        def log_likelihood(x: np.ndarray, passed: np.ndarray = passed) -> np.ndarray:
            eta = x[:, :1] + x[:, 1:] * np.linspace(-2, 2, 12)
            return np.where(passed, -np.logaddexp(0, -eta), -np.logaddexp(0, eta)).sum(axis=1)

        draws = sample(log_likelihood, 2, rng=rng, particles=200, moves=4, last_moves=12).draws
        shares.append((draws < truth).mean(axis=0))
    shares = np.array(shares)
    assert shares.mean(axis=0) == pytest.approx([0.5, 0.5], abs=0.13)
    # variance of a uniform is 1/12; a posterior too narrow would pile the ranks up at both ends
    assert shares.var(axis=0) == pytest.approx([1 / 12, 1 / 12], rel=0.35)
