"""Which settings the coupons varied too little, and which levels they never tried, to show anything about."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from doe.domain.coding import FloatArray
from doe.domain.factors import Factor
from doe.domain.finding import Finding
from doe.domain.results import Results
from doe.domain.study import Study
from doe.surfaces.earlier import EarlierUse
from doe.surfaces.facts import fact
from doe.surfaces.scaling import Scaling

HARDLY = 0.05
"""Spread of a coded setting below which its factor is said to have been hardly varied; a tested range is 2 long."""

WANDER = 0.2
"""Largest such spread where real values were measured: a machine that wandered about one setting varied nothing."""

LEAST_MOVED = 2.0
"""Coupons away from the commonest setting below which nothing is shown: a single one may have ended as it did by
chance."""


def hardly_varied(scaling: Scaling, results: Results, earlier: EarlierUse | None = None) -> tuple[Factor, ...]:
    """Numeric factors that the coupons hardly varied, in the order of the study.

    Coupons of an earlier study count for as much as in the fit. Each study is compared with itself alone: a setting
    that differs between the two cannot be told from everything else that does.

    Parameters
    ----------
    scaling : Scaling
    results : Results
    earlier : EarlierUse, optional
    """
    parts = [(results, 1.0)] if earlier is None else [(results, 1.0), (earlier.results, earlier.discount)]
    worth = sum(weight * part.coupons for part, weight in parts)
    squares = np.zeros(len(scaling.numeric))
    moved = np.zeros_like(squares)
    for part, weight in parts:
        z = scaling.z(part.settings)
        away = np.abs(z - _commonest(z)) >= HARDLY
        squares += weight * len(z) * z.var(axis=0)
        moved += weight * away.sum(axis=0)
    spread = np.sqrt(squares / worth)
    least = np.array([_least(f, scaling, [part for part, _ in parts]) for f in scaling.numeric])
    return tuple(
        f for f, hardly in zip(scaling.numeric, (spread < least) | (moved < LEAST_MOVED), strict=True) if hardly
    )


def unvaried_facts(factors: Sequence[Factor]) -> tuple[Finding, ...]:
    """That these factors were hardly varied; nothing when there are none."""
    return (fact("unvaried", factors=tuple(f.name for f in factors)),) if factors else ()


def untried_levels(study: Study, results: Results, earlier: EarlierUse | None = None) -> tuple[tuple[Factor, str], ...]:
    """Levels with which no coupon was made, each beside its factor; earlier coupons count."""
    made = [results.settings, *([] if earlier is None else [earlier.results.settings])]
    return tuple(
        (f, level) for f in study.categorical for level in f.levels if not any((s[f.name] == level).any() for s in made)
    )


def _commonest(z: FloatArray) -> FloatArray:
    """The setting of each column that most rows lie near, shape (columns,)."""
    found = np.empty(z.shape[1])
    for j, column in enumerate(np.sort(z, axis=0).T):
        near = np.searchsorted(column, column + HARDLY) - np.searchsorted(column, column - HARDLY, side="right")
        found[j] = column[near.argmax()]
    return found


def _least(factor: Factor, scaling: Scaling, parts: Sequence[Results]) -> float:
    """Spread below which a factor was hardly varied: its own setting error where real values were measured."""
    if not any(part.measured[factor.name].any() for part in parts):
        return HARDLY
    middle = scaling.natural(np.zeros((1, len(scaling.numeric))))[0, scaling.numeric.index(factor)]
    error = float(scaling.z_of(factor, np.array([middle + factor.setting_sd]))[0])
    return min(max(HARDLY, error), WANDER)
