"""Can this fit be believed? Leave-one-out score, posterior predictive check, and what cannot be told apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.domain.coding import FloatArray
from doe.domain.factors import Factor
from doe.domain.finding import Finding
from doe.domain.results import Results
from doe.surfaces.averaging import leave_one_out
from doe.surfaces.facts import fact
from doe.surfaces.scaling import Scaling
from doe.surfaces.unvaried import hardly_varied

INSEPARABLE = 0.8
"""Correlation of coded settings from which two factors are said not to be told apart."""

BARELY_LEARNED = 0.8
"""Posterior spread of the best setting, as a share of its spread before the coupons, from which little was learned."""


MIXED = 0.05
"""Posterior predictive p-value below which the surface misses something."""


@dataclass(frozen=True)
class Belief:
    """Whether the surfaces predict coupons they have not seen, and what the coupons cannot say.

    Attributes
    ----------
    p_left_out : array, shape (coupons,)
        Predicted probability of a pass for each coupon, from the others.
    score : float
        Sum of the log probabilities of what happened to each left-out coupon (nearer 0 is better).
    score_no_factor : float
        The same for a model that knows only the share of passes among the others.
    right : int
        Left-out coupons whose result was called right.
    fit_p_value : float
        Posterior predictive p-value of the spread of pass/fail around the surface; below 0.05 the surface misses
        something.
    learned : mapping of factor name to float
        1 - posterior spread / prior spread of the place of the peak; empty where the prior is not known.
    facts : tuple of Finding
    """

    p_left_out: FloatArray
    score: float
    score_no_factor: float
    right: int
    fit_p_value: float
    learned: dict[str, float]
    facts: tuple[Finding, ...]


def judge_fit(
    results: Results, scaling: Scaling, p_pass: FloatArray, coupon_fit: FloatArray, place_left: FloatArray | None
) -> Belief:
    """Judge a fit from its posterior draws.

    Parameters
    ----------
    results, scaling
        What was fitted.
    p_pass : array, shape (draws, coupons)
        Probability that each coupon passes its checks.
    coupon_fit : array, shape (draws, coupons)
        Log likelihood of each coupon.
    place_left : array, shape (numeric factors,), optional
        Posterior spread of the place of the peak as a share of its prior spread; None where the prior is not known.

    Notes
    -----
    A coupon is left out by the truncated importance weights of `leave_one_out`.
    """
    p_out = _left_out(p_pass, coupon_fit)
    passed = results.passed
    score = float(np.log(np.where(passed, p_out, 1 - p_out)).sum())
    n, k = len(passed), int(passed.sum())
    others = n - 1
    share = (k - passed + 0.5) / (others + 1)
    no_factor = float(np.log(np.where(passed, share, 1 - share)).sum())
    right = int(((p_out > 0.5) == passed).sum())
    p_value = _predictive_p_value(p_pass, passed)
    learned = (
        {}
        if place_left is None
        else {f.name: float(1 - left) for f, left in zip(scaling.numeric, place_left, strict=True)}
    )
    facts = (
        *_score_facts(score, no_factor, right, p_value, passed),
        *_inseparable(scaling, results),
        *_barely_learned(scaling.numeric, learned),
    )
    return Belief(p_out, score, no_factor, right, p_value, learned, facts)


def _left_out(p_pass: FloatArray, coupon_fit: FloatArray) -> FloatArray:
    weights = leave_one_out(coupon_fit)
    p = (weights * p_pass).sum(axis=0) / weights.sum(axis=0)
    return np.asarray(np.clip(p, 1e-3, 1 - 1e-3))


def _predictive_p_value(p_pass: FloatArray, passed: NDArray[np.bool_]) -> float:
    p = np.clip(p_pass, 1e-6, 1 - 1e-6)
    made = np.random.default_rng(0).random(p.shape) < p  # a fixed stream: the check is a number, not a draw

    def spread(outcome: NDArray[np.bool_]) -> FloatArray:
        return np.asarray(((outcome - p) ** 2 / (p * (1 - p))).sum(axis=1))

    return float((spread(made) >= spread(np.broadcast_to(passed, p.shape))).mean())


def _score_facts(
    score: float, no_factor: float, right: int, p_value: float, passed: NDArray[np.bool_]
) -> list[Finding]:
    n = len(passed)
    found = []
    if passed.all() or not passed.any():
        found.append(fact("ended_alike"))
    elif score > no_factor + 1:
        found.append(fact("predicts_better", coupons=right, of=n))
    elif score > no_factor - 1:
        found.append(fact("predicts_alike", coupons=right, of=n))
    else:
        found.append(fact("predicts_worse", coupons=right, of=n))
    if p_value < MIXED:
        found.append(fact("too_mixed"))
    return found


def _inseparable(scaling: Scaling, results: Results) -> list[Finding]:
    z = scaling.z(results.settings)
    names = [f.name for f in scaling.numeric]
    still = hardly_varied(scaling, results)
    found = [fact("hardly_varied", factors=(f.name,), coupons=len(z)) for f in still]
    moved = [j for j, f in enumerate(scaling.numeric) if f not in still]
    if len(z) > 2 and len(moved) > 1:
        together = np.atleast_2d(np.corrcoef(z[:, moved], rowvar=False))
        found += [
            fact("inseparable", factors=(names[moved[a]], names[moved[b]]), coupons=len(z))
            for a in range(len(moved))
            for b in range(a)
            if abs(together[a, b]) > INSEPARABLE
        ]
    return found


def _barely_learned(factors: tuple[Factor, ...], learned: dict[str, float]) -> list[Finding]:
    little = tuple(f.name for f in factors if learned.get(f.name, 1.0) < 1 - BARELY_LEARNED)
    return [fact("barely_learned", factors=little)] if little else []
