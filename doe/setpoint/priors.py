"""What the priors do to an answer: each counted for more and for less, by re-weighting the draws.

A prior is raised to a power: above 1 it pulls harder, below 1 less (Kallioinen, Paananen, Buerkner and Vehtari 2023,
Statistics and Computing 34, 57). Every parameter of the model is a transform of a standard normal, and it is that
normal which is raised. Slopes are differences over a quarter of a doubling each way, scaled to one doubling.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.domain.finding import Finding
from doe.setpoint.answer import EVERY, Verdict
from doe.setpoint.reweigh import Weights, weigh
from doe.surfaces.facts import fact

FloatArray = NDArray[np.float64]

STEP = 0.25
"""Doublings each way over which a slope is taken: near enough for the draws, far enough to rise above noise."""

LARGE = 0.025
"""Change of the expected rate for one doubling of every prior from which a reader is warned. Chosen on 84 answers to 28
simulated lines (tuning seeds 7000 to 7027; 12, 20 and 28 coupons)."""


@dataclass(frozen=True)
class PriorPull:
    """What doubling the weight of one group of priors would do at the setpoint, to first order.

    Attributes
    ----------
    group : str
        A key of `doe.surfaces.contract.PRIOR_GROUPS`, or ``every``.
    rate, rate_low : float
        Change of the expected robust pass rate and of its lower bound, for one doubling.
    p_target : float
        Change of the probability that the wanted rate is reached there.
    p_reachable, best : float
        Change of the probability that any tested setting reaches it, and of the expected best rate.
    effective : float
        The fewer of the draws that the two sets of weights are worth.
    reliable : bool
    """

    group: str
    rate: float
    rate_low: float
    p_target: float
    p_reachable: float
    best: float
    effective: float
    reliable: bool


def prior_warning(
    pulls: Sequence[PriorPull], verdict: Verdict, halved_doubled: tuple[Verdict, Verdict]
) -> tuple[Finding, ...]:
    """That the priors pull hard at an answer, where they do: it then rests on them more than a reader expects.

    Parameters
    ----------
    pulls : sequence of PriorPull
        From `prior_pulls`.
    verdict : str
        What is said.
    halved_doubled : (str, str)
        What would be said with every prior counted half, and counted double.
    """
    every, *single = pulls
    halved, doubled = (said if said != verdict and every.reliable else "" for said in halved_doubled)
    if abs(every.rate) >= LARGE:
        strongest = max(single, key=lambda p: p.rate * np.sign(every.rate))
        return (fact("leans_on_priors", value=every.rate, about=strongest.group, halved=halved, doubled=doubled),)
    return (fact("hangs_on_priors", halved=halved, doubled=doubled),) if halved or doubled else ()


def prior_pulls(
    priors: dict[str, FloatArray],
    rates: FloatArray,
    *,
    target: float,
    low: float,
    best: FloatArray | None = None,
    rows: NDArray[np.intp] | None = None,
) -> tuple[PriorPull, ...]:
    """Pull of every group of priors on one setpoint, all together first, then the strongest first.

    Parameters
    ----------
    priors : mapping of str to array, shape (draws,)
        Log prior densities by group.
    rates : array, shape (draws,)
        Robust pass rate at the setpoint.
    target : float
        Wanted pass rate.
    low : float
        Share of the lower quantile, 1 - assurance.
    best : array, shape (thinned draws,), optional
        Highest rate anywhere; where it is left out, the setpoint is taken for the best.
    rows : int array, shape (thinned draws,), optional
        Draws that ``best`` is of; all by default.
    """
    every_row = np.arange(len(rates))
    ask = _Numbers(rates, rates if best is None else best, every_row if rows is None else rows, target, low)
    single = [_pull(name, density, ask) for name, density in priors.items()]
    every = _pull(EVERY, np.sum(list(priors.values()), axis=0), ask)
    return (every, *sorted(single, key=lambda p: -abs(p.rate_low)))


@dataclass(frozen=True)
class _Numbers:
    rates: FloatArray
    best: FloatArray
    rows: NDArray[np.intp]
    target: float
    low: float

    def under(self, weights: Weights) -> tuple[float, ...]:
        part = weights.at(self.rows)
        return (
            weights.mean(self.rates),
            weights.quantile(self.rates, self.low),
            weights.mean((self.rates >= self.target).astype(float)),
            part.mean((self.best >= self.target).astype(float)),
            part.mean(self.best),
        )


def _pull(group: str, density: FloatArray, ask: _Numbers) -> PriorPull:
    both = tuple(weigh((2.0**step - 1) * density) for step in (STEP, -STEP))
    stronger, weaker = (ask.under(w) for w in both)
    rate, rate_low, p_target, p_reachable, best = (
        (more - less) / (2 * STEP) for more, less in zip(stronger, weaker, strict=True)
    )
    effective, reliable = min(w.effective for w in both), all(w.reliable for w in both)
    return PriorPull(group, rate, rate_low, p_target, p_reachable, best, effective, reliable)
