"""Tempered sequential Monte Carlo for models whose parameters are standard normal before the data.

Few pass/fail coupons move a posterior only a little from its prior in most directions, and it may have several
humps. So a cloud of particles is led from the prior to the posterior through powers of the likelihood
(Del Moral, Doucet and Jasra 2006, J. R. Statist. Soc. B 68, 411-436), the powers chosen so that half of the cloud
stays effective. After each step every particle is moved by Metropolis steps that keep the tempered posterior: the
preconditioned Crank-Nicolson proposal (Cotter, Roberts, Stuart and White 2013, Statistical Science 28, 424-446) about
the prior, every fourth time, and else the same proposal about a normal fitted to the cloud, which is fast where the
cloud is nearly normal, while the first is safe in the tails.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
LogLikelihood = Callable[[FloatArray], FloatArray]

LEAST_POWER = 1e-6
"""Of the first tempering step."""


@dataclass(frozen=True)
class Cloud:
    """Draws of the posterior, equally weighted.

    Attributes
    ----------
    draws : array, shape (particles, parameters)
    log_likelihood : array, shape (particles,)
    log_evidence : float
        Logarithm of the marginal likelihood, estimated on the way.
    steps : int
        Number of tempering steps.
    accepted : float
        Share of accepted moves at the last step.
    """

    draws: FloatArray
    log_likelihood: FloatArray
    log_evidence: float
    steps: int
    accepted: float


def sample(
    log_likelihood: LogLikelihood,
    parameters: int,
    *,
    rng: np.random.Generator,
    particles: int = 600,
    moves: int = 8,
    last_moves: int = 180,
    progress: Callable[[float], None] | None = None,
) -> Cloud:
    """Posterior draws for independent N(0, 1) priors.

    Parameters
    ----------
    log_likelihood : callable
        (particles, parameters) to (particles,); must be finite.
    parameters : int
        Number of parameters.
    rng : Generator
    particles : int
        Too few makes bounds too narrow; several hundred at least.
    moves, last_moves : int
        Metropolis sweeps after each tempering step, and after the last.
    progress : callable, optional
        Called with the tempering power reached, 0 to 1.
    """
    draws = rng.standard_normal((particles, parameters))
    fitted = log_likelihood(draws)
    power, evidence, steps, accepted = 0.0, 0.0, 0, 1.0
    stride = {"prior": 0.5, "cloud": 0.5}
    while power < 1.0:
        step = next_power(partial(np.multiply, fitted), power, offset=power * fitted) - power
        kept, gain = resample(step * fitted, rng)
        evidence += gain
        draws, fitted, power = draws[kept], fitted[kept], power + step
        steps += 1
        draws, fitted, accepted = _move(
            draws, fitted, log_likelihood, power, stride, rng, last_moves if power >= 1.0 else moves
        )
        if progress is not None:
            progress(power)
    return Cloud(draws, fitted, evidence, steps, accepted)


def next_power(
    value: Callable[[float], FloatArray], power: float, *, offset: FloatArray, effective: float = 0.5
) -> float:
    """Largest power, by bisection, at which the effective share of the cloud is still ``effective``.

    ``value`` gives each particle's log likelihood at a power, ``offset`` is that at the present power, (particles,).
    """

    def share(trial: float) -> float:
        gained = value(trial) - offset
        weights = np.exp(gained - gained.max())
        return float(weights.sum() ** 2 / (weights**2).sum() / len(weights))

    if share(1.0) >= effective:
        return 1.0
    low, high = max(power, LEAST_POWER), 1.0
    while high > 1.001 * low:  # powers grow by factors
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if share(middle) >= effective else (low, middle)
    return low if low > power else high


def resample(gained: FloatArray, rng: np.random.Generator) -> tuple[NDArray[np.intp], float]:
    """Systematic resampling by log weights, (particles,): indices, and the logarithm of the mean weight."""
    top = gained.max()
    share = np.exp(gained - top)
    n = len(share)
    points = (rng.random() + np.arange(n)) / n
    kept = np.minimum(np.searchsorted(np.cumsum(share / share.sum()), points), n - 1)
    return kept, float(top + np.log(share.mean()))


def _move(
    draws: FloatArray,
    fitted: FloatArray,
    log_likelihood: LogLikelihood,
    power: float,
    stride: dict[str, float],
    rng: np.random.Generator,
    moves: int,
) -> tuple[FloatArray, FloatArray, float]:
    """Metropolis sweeps; ``stride`` (step sizes by proposal) is adapted in place toward a third accepted."""
    n, d = draws.shape
    centre = draws.mean(axis=0)
    # A little of the prior's unit covariance keeps the fitted normal wide where particles have coalesced.
    spread = 0.95 * np.cov(draws, rowvar=False).reshape(d, d) * 1.1 + 0.05 * np.eye(d)
    root = np.linalg.cholesky(spread)
    whiten = np.linalg.inv(root)
    taken = 0.0
    for sweep in range(moves):
        about_cloud = sweep % 4 != 3  # the prior is for the tails; the cloud does the walking
        kind = "cloud" if about_cloud else "prior"
        beta = stride[kind]
        keep = np.sqrt(1 - beta**2)
        noise = rng.standard_normal((n, d))
        if about_cloud:
            white = (draws - centre) @ whiten.T
            new_white = keep * white + beta * noise
            proposal = centre + new_white @ root.T
            # target: N(0, I) prior times likelihood^power; the proposal is reversible for the fitted normal
            bias = 0.5 * ((draws**2).sum(1) - (proposal**2).sum(1) - (white**2).sum(1) + (new_white**2).sum(1))
        else:
            proposal = keep * draws + beta * noise
            bias = np.zeros(n)  # the proposal is reversible for the prior itself
        new_fitted = log_likelihood(proposal)
        accept = np.log(rng.random(n)) < power * (new_fitted - fitted) + bias
        draws = np.where(accept[:, None], proposal, draws)
        fitted = np.where(accept, new_fitted, fitted)
        taken = float(accept.mean())
        stride[kind] = float(np.clip(beta * np.exp(0.7 * (taken - 0.33)), 0.02, 0.98))
    return draws, fitted, taken
