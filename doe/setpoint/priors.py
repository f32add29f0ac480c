"""What the priors do to an answer: each counted for more and for less, by re-weighting the draws.

A prior is raised to a power: above 1 it pulls harder, below 1 less (Kallioinen, Paananen, Buerkner and Vehtari 2023,
Statistics and Computing 34, 57). Every parameter of the model is a transform of a standard normal, and it is that
normal which is raised. Slopes are differences over a quarter of a doubling each way, scaled to one doubling.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.domain.finding import Finding
from doe.setpoint.answer import EVERY, Verdict
from doe.setpoint.chances import Claim
from doe.setpoint.reweigh import FloatArray, Weights, weigh
from doe.surfaces.facts import fact

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
    best: FloatArray,
    rows: NDArray[np.intp],
    chance: Callable[[float, Claim], FloatArray],
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
    best : array, shape (thinned draws,)
        Highest rate anywhere.
    rows : int array, shape (thinned draws,)
        Draws that ``best`` is of.
    chance : callable
        What a share of draws stands for, see `doe.setpoint.chances`.
    """

    def under(weights: Weights) -> FloatArray:
        part = weights.at(rows)
        return np.array(
            [
                weights.mean(rates),
                weights.quantile(rates, low),
                chance(weights.mean((rates >= target).astype(float)), "setpoint reaches"),
                chance(part.mean((best >= target).astype(float)), "any reaches"),
                part.mean(best),
            ]
        )

    def pull(group: str, density: FloatArray) -> PriorPull:
        stronger, weaker = (weigh((2.0**step - 1) * density) for step in (STEP, -STEP))
        rate, rate_low, p_target, p_reachable, best_rate = ((under(stronger) - under(weaker)) / (2 * STEP)).tolist()
        effective, reliable = min(stronger.effective, weaker.effective), stronger.reliable and weaker.reliable
        return PriorPull(group, rate, rate_low, p_target, p_reachable, best_rate, effective, reliable)

    every = pull(EVERY, np.sum(list(priors.values()), axis=0))
    return (every, *sorted(itertools.starmap(pull, priors.items()), key=lambda p: -abs(p.rate_low)))
