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

from doe.setpoint.reweigh import weigh

FloatArray = NDArray[np.float64]

STEP = 0.25
"""Doublings each way over which a slope is taken: near enough for the draws, far enough to rise above noise."""

EVERY = "every"
"""Name of all priors together."""

LARGE = 0.025
"""Change of the expected rate for one doubling of every prior from which a reader is warned. Chosen on 84 answers to 28
simulated lines (tuning seeds 7000 to 7027; 12, 20 and 28 coupons): of the 17 beyond it the stated rate was more than 10
points off the true one in 13, of the 67 others in 7."""

LEANING_OFF = "13 of 17"

ABOUT = {
    EVERY: "all together",
    "height": "how good the best setting can be",
    "place": "where the window lies",
    "width": "how fast the window closes",
    "sides": "how failures split into too little and too much heat",
    "stray": "how many prints fail whatever the settings",
    "hand": "hand-feel",
    "levels": "how far the levels differ",
    "batches": "how far batches differ",
}
"""Groups of priors, as what they are about."""


@dataclass(frozen=True)
class PriorPull:
    """What doubling the weight of one group of priors would do at the setpoint, to first order.

    Attributes
    ----------
    group : str
        A key of `doe.surfaces.traces.PRIOR_GROUPS`, or ``every``.
    rate, rate_low : float
        Change of the expected robust pass rate and of its lower bound, for one doubling.
    p_target : float
        Change of the probability that the wanted rate is reached there.
    effective : float
        The fewer of the draws that the two sets of weights are worth.
    reliable : bool
    """

    group: str
    rate: float
    rate_low: float
    p_target: float
    effective: float
    reliable: bool


def prior_warning(pulls: Sequence[PriorPull]) -> tuple[str, ...]:
    """A sentence when the priors pull hard at an answer: its numbers then rest on them more than a reader expects."""
    every, *single = pulls
    if abs(every.rate) < LARGE:
        return ()
    strongest = max(single, key=lambda p: p.rate * np.sign(every.rate))
    way = "raise" if every.rate > 0 else "lower"
    return (
        "The numbers at this setting lean on what was assumed before any coupon: were that to count double, it would "
        f"{way} the expected pass rate by about {100 * abs(every.rate):.0f} points, most of all through "
        f"{ABOUT[strongest.group]}. On simulated lines {LEANING_OFF} such answers were more than 10 points off.",
    )


def prior_pulls(
    priors: dict[str, FloatArray], rates: FloatArray, *, target: float, low: float
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
    """
    single = [_pull(name, density, rates, target, low) for name, density in priors.items()]
    every = _pull(EVERY, np.sum(list(priors.values()), axis=0), rates, target, low)
    return (every, *sorted(single, key=lambda p: -abs(p.rate_low)))


def _pull(group: str, density: FloatArray, rates: FloatArray, target: float, low: float) -> PriorPull:
    stronger, weaker = (weigh((2.0**step - 1) * density) for step in (STEP, -STEP))

    def slope(ask: Sequence[float]) -> float:
        return (ask[0] - ask[1]) / (2 * STEP)

    both = (stronger, weaker)
    return PriorPull(
        group,
        slope([w.mean(rates) for w in both]),
        slope([w.quantile(rates, low) for w in both]),
        slope([w.mean((rates >= target).astype(float)) for w in both]),
        min(w.effective for w in both),
        all(w.reliable for w in both),
    )
