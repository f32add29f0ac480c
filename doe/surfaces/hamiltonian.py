"""Moves of a cloud of particles along the slopes of its density: Hamiltonian Monte Carlo.

A particle is given a random push and follows the slope for a few leaps; the end is accepted by Metropolis' rule
(Duane, Kennedy, Pendleton and Roweth 1987, Physics Letters B 195, 216-222; Neal 2011, in Handbook of Markov Chain Monte
Carlo). In some forty dimensions a handful of such moves goes as far as hundreds of steps of a random walk. Pushes and
leaps are measured in the covariance of the cloud, which is the posterior's at the power reached.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from doe.surfaces.sampler import Cloud, FloatArray, next_power, resample

LEAPS = 4
"""Leaps of one move. For the same work many short moves found small errors of hand-feel sooner than few long ones."""

LATER_MOVES = 2
"""Moves after each tempering step of a later model: the cloud is close to its posterior already."""

WANTED = 0.75
"""Share of moves to accept; 0.65 is best in theory (Beskos et al. 2013, Bernoulli 19, 1501-1534); more is safer."""


class Tempered(Protocol):
    """A log likelihood of standard normal parameters that is let in by degrees, with its slopes."""

    @property
    def parameters(self) -> int:
        """Number of parameters."""
        ...

    def ahead(self, xi: FloatArray) -> Callable[[float], FloatArray]:
        """Its value, (draws,), at these parameters, (draws, parameters), as a function of the power in (0, 1]."""
        ...

    def slopes(self, xi: FloatArray, power: float) -> tuple[FloatArray, FloatArray]:
        """Its value, (draws,), and slopes, (draws, parameters), at one power."""
        ...


def sample_by_slopes(
    model: Tempered,
    *later: Tempered,
    rng: np.random.Generator,
    particles: int = 600,
    moves: int = 4,
    last_moves: int = 6,
    progress: Callable[[float], None] | None = None,
) -> Cloud:
    """Posterior draws for independent N(0, 1) priors; as `sampler.sample`, with moves that follow the slopes.

    Parameters
    ----------
    model : Tempered
        Finite values and slopes wherever a draw of the prior may lie.
    *later : Tempered
        What is let in after it, in this order. Each must be, near power 0, what the one before it is at power 1; the
        draws are the posterior of the last.
    rng : Generator
    particles : int
        Too few makes bounds too narrow; several hundred at least.
    moves, last_moves : int
        Moves after each tempering step of the first model, and after the very last step.
    progress : callable, optional
        Called with the power reached, 0 to 1, as a share of all models.
    """
    _keep_memory()
    draws = rng.standard_normal((particles, model.parameters))
    cloud = Particles(draws, np.zeros(particles), np.zeros_like(draws))
    evidence, steps, accepted, stride = 0.0, 0, 1.0, 0.3
    for done, stage in enumerate((model, *later)):
        power, root, each = (0.0, close_root, LATER_MOVES) if done else (0.0, wide_root, moves)
        while power < 1.0:
            value = stage.ahead(cloud.draws)
            power = next_power(value, power, offset=cloud.fitted, effective=0.4)
            kept, gain = resample(value(power) - cloud.fitted, rng)
            evidence += gain
            steps += 1
            cloud = Particles(cloud.draws[kept], *stage.slopes(cloud.draws[kept], power))
            # the last cloud's covariance is taken anew when half of its moves are made
            ended = power >= 1.0 and done == len(later)
            for some in (last_moves // 2, last_moves - last_moves // 2) if ended else (each,):
                around = root(cloud.draws)
                cloud, stride, accepted = glide(cloud, stage, power, stride, rng, root=around, moves=some)
            if progress is not None:
                progress((done + power) / (1 + len(later)))
    return Cloud(cloud.draws, cloud.fitted, evidence, steps, accepted)


@dataclass(frozen=True)
class Particles:
    """A cloud with what is known about it: draws and slopes (n, d), log likelihood (n,)."""

    draws: FloatArray
    fitted: FloatArray
    slopes: FloatArray


def glide(
    cloud: Particles,
    model: Tempered,
    power: float,
    stride: float,
    rng: np.random.Generator,
    *,
    root: FloatArray,
    moves: int,
) -> tuple[Particles, float, float]:
    """Move every particle ``moves`` times; keeps the density N(0, I) times the likelihood at the given power.

    ``stride`` is the length of a leap in units of ``root``, a root of the covariance of pushes, (d, d); it is adapted
    toward `WANTED` and returned beside the share of moves accepted the last time.
    """
    draws, fitted, slope = cloud.draws, cloud.fitted, cloud.slopes
    n, d = draws.shape
    share = 1.0
    with np.errstate(all="ignore"):  # a trajectory that runs away is not finite, and refused
        for _ in range(moves):
            # lengths that differ keep particles from coming round to where they started
            leap = stride * rng.uniform(0.7, 1.3, (n, 1))
            push = rng.standard_normal((n, d))
            start = 0.5 * (draws**2).sum(1) - fitted + 0.5 * (push**2).sum(1)
            here, value, uphill = draws, fitted, slope
            for i in range(LEAPS):
                push = push + (leap if i else leap / 2) * ((uphill - here) @ root)
                here = here + (leap * push) @ root.T
                value, uphill = model.slopes(here, power)
            push = push + leap / 2 * ((uphill - here) @ root)
            fall = start - (0.5 * (here**2).sum(1) - value + 0.5 * (push**2).sum(1))
            sound = np.isfinite(fall) & np.isfinite(uphill).all(axis=1)
            accept = sound & (np.log(rng.random(n)) < fall)
            draws = np.where(accept[:, None], here, draws)
            fitted = np.where(accept, value, fitted)
            slope = np.where(accept[:, None], uphill, slope)
            share = float(accept.mean())
            stride = float(np.clip(stride * np.exp(0.5 * (share - WANTED)), 0.02, 1.5))
    return Particles(draws, fitted, slope), stride, share


def wide_root(draws: FloatArray) -> FloatArray:
    """Root of the cloud's covariance, (d, d), with a little of the prior's: wide where particles have coalesced."""
    d = draws.shape[1]
    return np.asarray(np.linalg.cholesky(0.95 * np.cov(draws, rowvar=False).reshape(d, d) + 0.05 * np.eye(d)))


def close_root(draws: FloatArray) -> FloatArray:
    """The same with a little of the cloud's own variances: where the prior's would be far too wide for its spread."""
    d = draws.shape[1]
    covariance = np.cov(draws, rowvar=False).reshape(d, d)
    return np.asarray(np.linalg.cholesky(0.99 * covariance + 0.01 * np.diag(np.diag(covariance))))


def _keep_memory() -> None:
    """Let the C library keep freed memory for the next array instead of returning it to the system each time.

    glibc hands out arrays of more than 128 kB as pages of their own until it has seen a larger one freed; then fetching
    these pages takes longer than the arithmetic. The array is never touched, so it costs nothing, here or elsewhere.
    """
    np.empty(31 << 20, dtype=np.uint8)
