"""Spread-out plans: settings that fill the region and each setting's own range, in few machine batches."""

from __future__ import annotations

import numpy as np

from doe.domain.study import Study
from doe.plans.points import FloatArray, Points, cross, forbidden_points, level_combinations

LEVELS = 6
"""Settings of each factor: as many batches at a machine whose one factor is slow to change."""

MOST_CANDIDATES = 4000
STARTS, MOST_PASSES = 6, 20


def spread_points(study: Study, coupons: int, rng: np.random.Generator, *, fixed: Points) -> Points:
    """Points far from one another in every projection: of each pair and triple of settings, and each by itself.

    The criterion is that of maximum projection designs (V. R. Joseph, E. Gul and S. Ba 2015, Biometrika 102,
    371-380; from memory): the sum over pairs of points of the product over factors of 1 / squared distance, with half
    a step added since settings repeat. Points are exchanged one at a time, from several starts.

    Parameters
    ----------
    study : Study
    coupons : int
        Points to choose, beside the fixed ones.
    rng : Generator
    fixed : Points
        Points of the same round that are made anyway: the centre coupons.
    """
    pool = _candidates(study, rng)
    near = _nearness(pool, pool)
    known = _nearness(pool, fixed).sum(axis=1)
    best, least = np.arange(coupons), np.inf
    for _ in range(STARTS):
        chosen = rng.integers(len(pool), size=coupons)
        weight = known + near[:, chosen].sum(axis=1)
        for _ in range(MOST_PASSES):
            before = chosen.copy()
            for i in range(coupons):
                weight -= near[:, chosen[i]]
                chosen[i] = int(np.argmin(weight))
                weight += near[:, chosen[i]]
            if (chosen == before).all():
                break
        total = float(known[chosen].sum() + near[np.ix_(chosen, chosen)].sum() / 2)
        if total < least:
            best, least = chosen.copy(), total
    return pool.take(best)


def _candidates(study: Study, rng: np.random.Generator) -> Points:
    """Allowed points of an even lattice, or a random part of it where it is large."""
    axis = (2 * np.arange(LEVELS) + 1) / LEVELS - 1
    axes = len(study.numeric)
    combinations = level_combinations(study)
    if LEVELS**axes * len(combinations) <= MOST_CANDIDATES:
        coded = np.stack(np.meshgrid(*[axis] * axes, indexing="ij"), axis=-1).reshape(-1, axes)
        points = cross(coded, np.full(len(coded), "chosen"), combinations)
    else:
        coded = rng.choice(axis, size=(MOST_CANDIDATES, axes))
        levels = combinations[rng.integers(len(combinations), size=MOST_CANDIDATES)]
        points = Points(coded, levels, np.full(MOST_CANDIDATES, "chosen"))
    return points.take(~forbidden_points(study, points.coded, points.levels))


def _nearness(one: Points, other: Points) -> FloatArray:
    """Product over factors of 1 / squared distance, shape (points of one, points of other)."""
    step = 0.5 / LEVELS
    product = np.ones((len(one), len(other)))
    for a, b in zip(one.coded.T, other.coded.T, strict=True):
        product /= (a[:, None] - b) ** 2 + step**2
    for a, b in zip(one.levels.T, other.levels.T, strict=True):
        product /= (a[:, None] != b) + step**2
    return product
