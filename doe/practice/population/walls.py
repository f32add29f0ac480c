"""From the shape of a family to margins: how sharp its walls are, and how far apart they stand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from doe.domain.coding import code, decode
from doe.domain.study import Study
from doe.practice.truth import Margins, level_shift

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class WallGaps:
    """How far n coupons are from each wall, in units of the shape's own; positive on the good side.

    Attributes
    ----------
    under : array, shape (n, walls of too little heat)
    over : array, shape (n, walls of too much heat)
    """

    under: FloatArray
    over: FloatArray


class Shape(Protocol):
    """A family's mechanism, before its walls are placed."""

    def gaps(self, natural: FloatArray, coded: FloatArray) -> WallGaps:
        """WallGaps at real settings, natural (stored units) and coded -1 to +1, each of shape (n, numeric factors)."""
        ...


@dataclass(frozen=True)
class Walls:
    """A truth (`doe.practice.truth.Truth`): the margins are ``steep * (gap + open)``.

    Attributes
    ----------
    study : Study
    shape : Shape
    steep_under, steep_over : array, shape (walls,)
        Standard deviations of coupon scatter per unit of gap.
    open : float
        How much farther apart the walls stand than the shape has them.
    heat : array, shape (d,)
        Direction in coded settings along which prints get hotter.
    shifts : tuple of array, shape (levels, d)
        How far each level of a categorical factor moves the whole shape, coded.
    """

    study: Study
    shape: Shape
    steep_under: FloatArray
    steep_over: FloatArray
    open: float
    heat: FloatArray
    shifts: tuple[FloatArray, ...] = ()

    def margins(self, natural: FloatArray, coded: FloatArray, levels: IntArray) -> Margins:
        """See `doe.practice.truth.Truth`."""
        if self.shifts:
            coded = coded - level_shift(self.shifts, levels, coded.shape[1])
            natural = natural_of(self.study, coded)
        gaps = self.shape.gaps(natural, coded)
        return Margins(
            self.steep_under * (gaps.under + self.open),
            self.steep_over * (gaps.over + self.open),
            (coded @ self.heat)[:, None],
        )


def natural_of(study: Study, coded: FloatArray) -> FloatArray:
    """Settings in stored units, not rounded, shape (n, numeric factors)."""
    return np.column_stack([decode(f, coded[:, j]) for j, f in enumerate(study.numeric)])


def per_setting_error(
    shape: Shape, study: Study, coded: FloatArray, errors: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """How much each wall's gap wanders with the machines, one number a wall (under, over).

    Parameters
    ----------
    coded : array, shape (n, d)
        Where to look.
    errors : array, shape (n, d)
        A draw of the setting error at each, in stored units.

    Notes
    -----
    The median over the half of the places nearest to the wall, so that flat or broken stretches far off do not count.
    """
    natural = natural_of(study, coded)
    there = shape.gaps(natural, coded)
    moved = natural + errors
    floor = np.array([f.low / 1000 if f.scale == "log" else -np.inf for f in study.numeric])
    moved = np.maximum(moved, floor)
    here = shape.gaps(moved, coded_of(study, moved))

    def each(first: FloatArray, second: FloatArray) -> FloatArray:
        wander = np.abs(second - first)
        near = np.abs(first) <= np.median(np.abs(first), axis=0)
        typical = [np.median(wander[near[:, k], k]) / 0.6745 for k in range(first.shape[1])]
        return np.maximum(typical, 1e-3)

    return each(there.under, here.under), each(there.over, here.over)


def coded_of(study: Study, natural: FloatArray) -> FloatArray:
    """Coded settings, shape (n, numeric factors)."""
    return np.column_stack([code(f, natural[:, j]) for j, f in enumerate(study.numeric)])


def bisected(looseness: Callable[[float], float], wanted: float, low: float, high: float, steps: int = 30) -> float:
    """Where a rising function takes a value, between ``low`` and ``high``."""
    for _ in range(steps):
        middle = (low + high) / 2
        low, high = (middle, high) if looseness(middle) < wanted else (low, middle)
    return (low + high) / 2
