"""What study and confirmation say together, nothing counted twice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from doe.domain.finding import Finding

FloatArray = NDArray[np.float64]

FEW_DRAWS = 100.0
"""Below so many effective draws the combined bounds are rough."""

SURPRISE = 0.05


@dataclass(frozen=True)
class Combination:
    """Pass rate at the setpoint from the study alone, and from study and confirmation together.

    Attributes
    ----------
    study_rate, study_low : float
        Expected robust pass rate and its lower bound, from the study's draws as they were.
    rate, low : float
        The same after the draws were reweighted by the confirmation.
    p_target : float
        Probability, after reweighting, that the wanted rate is reached.
    effective_draws : float
        How many equally weighted draws the reweighted ones are worth.
    surprise : float
        Probability, by the study, of a confirmation as bad as this or worse; small: the two disagree.
    coupons : int
        Settled confirmation coupons that moved it.
    counts_hand : bool
        Whether hand-feel is part of these rates.
    warnings : tuple of Finding or str
        ``few_draws`` (effective, of), ``surprising`` (chance), ``strokes_alike``; sentences where an older version
        kept them.
    """

    study_rate: float
    study_low: float
    rate: float
    low: float
    p_target: float
    effective_draws: float
    surprise: float
    coupons: int
    counts_hand: bool
    warnings: tuple[Finding | str, ...]


def combine_with_study(
    rates: ArrayLike,
    check_rates: ArrayLike,
    passed: ArrayLike,
    coupons: ArrayLike,
    *,
    worth: ArrayLike = 1.0,
    target: float = 0.95,
    assurance: float = 0.90,
    counts_hand: bool = False,
) -> Combination:
    """Reweight the study's draws by how well each foretold the confirmation.

    Parameters
    ----------
    rates : array, shape (draws,)
        Robust pass rate at the setpoint under the whole spec, one a draw of the study's posterior. The study's fit must
        not have seen the confirmation coupons.
    check_rates : array, shape (draws, points)
        Robust pass rate of the checks alone at each point confirmed (setpoint, corners).
    passed, coupons : int array, shape (points,)
        Settled confirmation coupons.
    worth : float or array, shape (points,)
        What a coupon counts for: 1 over the mean number of coupons a stroke, since those of one stroke are alike.
    target, assurance : float
    counts_hand : bool
        Whether hand-feel is part of ``rates``.

    Returns
    -------
    Combination
        To be shown beside the exact limits of the confirmation alone, never instead.

    Notes
    -----
    Importance weights: proportional to the binomial probability of the confirmation under each draw. Each source enters
    once: the study through its draws, the confirmation through the weights. With few effective draws the study's cloud
    hardly reaches where the confirmation points; the bounds are then rough and the exact limits are to be trusted.

    References
    ----------
    A. Gelman et al. (2013), *Bayesian Data Analysis*, 3rd ed., sec. 10.4 (from memory).
    """
    drawn = np.asarray(rates, dtype=float)
    points = np.asarray(check_rates, dtype=float).reshape(len(drawn), -1)
    k, n = (np.atleast_1d(np.asarray(v, dtype=float)) for v in (passed, coupons))
    w = np.broadcast_to(np.asarray(worth, dtype=float), k.shape)
    safe = np.clip(points, 1e-9, 1 - 1e-9)
    log_weight = (w * (k * np.log(safe) + (n - k) * np.log1p(-safe))).sum(axis=1)
    weights = np.exp(log_weight - log_weight.max())
    weights /= weights.sum()
    effective = float(1 / (weights**2).sum())
    surprise = _surprise(safe, k, n)
    warnings = []
    if effective < FEW_DRAWS:
        warnings.append(Finding("few_draws", {"effective": effective, "of": len(drawn)}))
    if surprise < SURPRISE:
        warnings.append(Finding("surprising", {"chance": surprise}))
    if (w < 1).any():
        warnings.append(Finding("strokes_alike"))
    return Combination(
        study_rate=float(drawn.mean()),
        study_low=float(np.quantile(drawn, 1 - assurance)),
        rate=float(weights @ drawn),
        low=_weighted_quantile(drawn, weights, 1 - assurance),
        p_target=float(weights @ (drawn >= target)),
        effective_draws=effective,
        surprise=surprise,
        coupons=int(n.sum()),
        counts_hand=counts_hand,
        warnings=tuple(warnings),
    )


def _surprise(rates: FloatArray, passed: FloatArray, coupons: FloatArray) -> float:
    """Chance of as few passes in all, averaged over draws; the failures of a draw are taken as Poisson binomial."""
    total = int(coupons.sum())
    if total == 0:
        return 1.0
    # distribution of the number of failures in all, by adding one coupon after another, all draws at once
    chance = np.zeros((len(rates), total + 1))
    chance[:, 0] = 1.0
    for j, made in enumerate(coupons.astype(int)):
        fail = (1 - rates[:, j])[:, None]
        for _ in range(made):
            moved = chance[:, :-1] * fail
            chance *= 1 - fail
            chance[:, 1:] += moved
    failures = int((coupons - passed).sum())
    return float(chance[:, failures:].sum(axis=1).mean())


def _weighted_quantile(values: FloatArray, weights: FloatArray, share: float) -> float:
    order = np.argsort(values)
    cumulated = np.cumsum(weights[order])
    middle = cumulated - weights[order] / 2  # a draw stands for the middle of its weight
    return float(np.interp(share, middle, values[order]))
