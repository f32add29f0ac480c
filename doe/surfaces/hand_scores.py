"""Hand-feel as the pass surface takes it: one score a coupon, people's offsets taken out."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from doe.domain.coding import FloatArray
from doe.domain.finding import Finding
from doe.domain.results import Results
from doe.surfaces.facts import fact


@dataclass(frozen=True)
class HandScores:
    """Hand-feel of the coupons that transferred, people's offsets taken out.

    Attributes
    ----------
    rows : int array, shape (m,)
        Coupon index of each score.
    score : array, shape (m,)
        Mean over people of score minus the person's offset.
    spread : array, shape (m,)
        Relative standard deviation of that mean (1 for one person).
    offsets : array, shape (people,)
        Estimated offsets, adding up to zero over people.
    """

    rows: NDArray[np.intp]
    score: FloatArray
    spread: FloatArray
    offsets: FloatArray


def mean_hand(results: Results, weights: FloatArray | None = None) -> HandScores:
    """Mean hand-feel a coupon with people's offsets removed (additive two-way fit by alternating means).

    Parameters
    ----------
    results : Results
    weights : array, shape (coupons,), optional
        What each coupon counts for when offsets are estimated; a person counts for as much as the best coupon felt.
    """
    hand = results.hand
    people = hand.shape[1]
    scored = np.isfinite(hand)
    worth = np.ones(len(hand)) if weights is None else weights
    rows = np.flatnonzero(scored.any(axis=1))
    offsets = np.zeros(people)
    if not len(rows):
        return HandScores(rows, np.empty(0), np.empty(0), offsets)
    values, seen = hand[rows], scored[rows]
    counted = seen * worth[rows, None]
    person = counted.max(axis=0)  # a person who felt nothing has no say where zero lies
    for _ in range(50):
        level = np.nansum(np.where(seen, values - offsets, 0.0), axis=1) / seen.sum(axis=1)
        residual = np.where(seen, values - level[:, None], 0.0)
        total = counted.sum(axis=0)
        offsets = (residual * worth[rows, None]).sum(axis=0) / np.where(total > 0, total, 1.0)
        offsets -= (offsets * person).sum() / person.sum()
    level = np.where(seen, values - offsets, 0.0).sum(axis=1) / seen.sum(axis=1)
    # half of one person's variance is the coupon's, half the person's (from memory of panel data; only relative)
    spread = np.sqrt(0.5 + 0.5 / seen.sum(axis=1))
    return HandScores(rows, level, spread, offsets)


APART = 1.0
"""Hand-feel points beyond which two people must settle what their numbers mean before anything rests on them."""

LEAST_COMMON = 3
"""Coupons that two people must have felt in common before they are compared."""


def doubt_scorers(results: Results) -> Finding | None:
    """Whether hand-feel rests on one person, on people who cannot be compared, or on people who differ much.

    Each of these may put hand-feel off as a whole; none needs a new coupon to be settled.

    Parameters
    ----------
    results : Results
        All coupons that enter a fit, those of an earlier study too.
    """
    felt = np.isfinite(results.hand)
    who = [j for j in range(len(results.people)) if felt[:, j].any()]
    if not who:
        return None
    if len(who) == 1:
        return fact("one_scorer", names=(results.people[who[0]],))
    gaps = []
    for a, b in combinations(who, 2):
        both = felt[:, a] & felt[:, b]
        if both.sum() >= LEAST_COMMON:
            gap = float((results.hand[both, a] - results.hand[both, b]).mean())
            low, high = (a, b) if gap < 0 else (b, a)
            gaps.append((abs(gap), int(both.sum()), (results.people[low], results.people[high])))
    if not gaps:
        # with so few coupons felt there is nothing yet that could be compared
        is_early = felt.any(axis=1).sum() < LEAST_COMMON
        return None if is_early else fact("never_compared", coupons=LEAST_COMMON, of=len(who))
    gap, common, names = max(gaps, key=lambda found: found[0])
    return None if gap <= APART else fact("scorers_apart", names=names, coupons=common, value=gap)
