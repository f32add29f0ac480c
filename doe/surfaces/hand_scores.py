"""Hand-feel as the pass surface takes it: one score a coupon, people's offsets taken out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.domain.results import Results

FloatArray = NDArray[np.float64]


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
