"""What a simulated line really does: margins against failing, and hand-feel, at any real settings.

Every way to fail (not molten, not bonded, oozed, scorched ...) is a *mechanism* with a margin in standard
deviations of the coupon-to-coupon scatter: the coupon survives it with probability Phi(margin). Mechanisms are
independent given the settings. Too much heat is seen first: a coupon that fails both ways shows ``over``. So
p_over = 1 - prod Phi(over margins) and p_pass = prod Phi(all margins). Faults that are no question of heat (``other``)
are seen next, and p_under is the rest.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from doe.practice.heat import LogDoseTable

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Margins:
    """State of n coupons.

    Attributes
    ----------
    under : array, shape (n, mechanisms of too little heat)
    over : array, shape (n, mechanisms of too much heat)
    heat : array, shape (n, heat directions)
        How hot, -1 at the lower wall of the window, +1 at the upper one; hand-feel depends on it.
    other : array, shape (n, mechanisms that are no question of heat), optional
    """

    under: FloatArray
    over: FloatArray
    heat: FloatArray
    other: FloatArray | None = None


class Truth(Protocol):
    """Where a line passes and how it fails."""

    def margins(self, natural: FloatArray, coded: FloatArray, levels: IntArray) -> Margins:
        """Margins at real settings.

        Parameters
        ----------
        natural, coded : array, shape (n, numeric factors)
            Real settings in stored units, and coded -1 to +1.
        levels : int array, shape (n, categorical factors)
        """
        ...


class Hand(Protocol):
    """Mean hand-feel of a line, 1 (stiff) to 5 (soft)."""

    def __call__(self, coded: FloatArray, heat: FloatArray, levels: IntArray) -> FloatArray:
        """Mean hand-feel at coded settings (n, d), heats (n, heat directions) and levels (n, factors), shape (n,)."""
        ...


@dataclass(frozen=True)
class Wiggle:
    """Smooth random departure: a Gaussian process drawn by random Fourier features (Rahimi and Recht 2007).

    ``frequencies``: shape (features, numeric factors); ``phases``: (features,); ``sd`` in margin units.
    """

    frequencies: FloatArray
    phases: FloatArray
    sd: float

    @classmethod
    def draw(cls, rng: np.random.Generator, factors: int, *, sd: float, length: float, features: int = 60) -> Wiggle:
        """Departure with a squared-exponential covariance of this length in coded units."""
        frequencies = rng.normal(size=(features, factors)) / length
        return cls(frequencies, rng.uniform(0, 2 * np.pi, features), sd)

    def __call__(self, coded: FloatArray) -> FloatArray:
        waves = np.cos(coded @ self.frequencies.T + self.phases)
        return np.asarray(self.sd * np.sqrt(2 / len(self.phases)) * waves.sum(axis=1))


def level_shift(shifts: tuple[FloatArray, ...], levels: IntArray, width: int) -> FloatArray:
    """Sum of the shifts of each categorical factor's level, shape (n, width)."""
    total = np.zeros((len(levels), width))
    for j, shift in enumerate(shifts):
        total += shift[levels[:, j]]
    return total


@dataclass(frozen=True)
class WindowTruth:
    """Walls across one or more heat directions in coded space; nothing is simulated inside the coupon.

    Along direction k the heat is ``h = w.(z - z0) + bend (v.(z - z0))^2 - shift(level)``; the margins are
    ``steep_under (h + low)`` and ``steep_over (high - h)``, both lowered by ``|closing (z - z0)|^2``.

    Attributes
    ----------
    centre : array, shape (d,)
        z0, coded.
    weights, bend_weights : array, shape (k, d)
        w (no weight of a temperature or time is negative: more heat is more heat) and v.
    bend, low, high, steep_under, steep_over : array, shape (k,)
    closing : array, shape (r, d)
    ceiling : float
        Margin against a fault that no setting cures; infinite when there is none.
    wiggle_under, wiggle_over : Wiggle or None
    shifts : tuple of array, shape (levels, k), one a categorical factor
    """

    centre: FloatArray
    weights: FloatArray
    bend_weights: FloatArray
    bend: FloatArray
    low: FloatArray
    high: FloatArray
    steep_under: FloatArray
    steep_over: FloatArray
    closing: FloatArray
    ceiling: float = np.inf
    wiggle_under: Wiggle | None = None
    wiggle_over: Wiggle | None = None
    shifts: tuple[FloatArray, ...] = ()

    def margins(self, natural: FloatArray, coded: FloatArray, levels: IntArray) -> Margins:
        """See `Truth`."""
        away = coded - self.centre
        heat = away @ self.weights.T + self.bend * (away @ self.bend_weights.T) ** 2
        heat = heat - level_shift(self.shifts, levels, len(self.low))
        closed = ((away @ self.closing.T) ** 2).sum(axis=1)[:, None]
        under = self.steep_under * (heat + self.low) - closed
        over = self.steep_over * (self.high - heat) - closed
        if self.wiggle_under is not None:
            under = under + self.wiggle_under(coded)[:, None]
        if self.wiggle_over is not None:
            over = over + self.wiggle_over(coded)[:, None]
        if np.isfinite(self.ceiling):
            under = np.column_stack([under, np.full(len(coded), self.ceiling)])
        return Margins(under, over, np.where(heat < 0, heat / self.low, heat / self.high))


def column_of(natural: FloatArray, where: int | float) -> FloatArray:
    """A column of settings by its number, or a constant (a float) held in all rows."""
    return natural[:, where] if isinstance(where, int) else np.full(len(natural), where)


@dataclass(frozen=True)
class StageHeat:
    """One machine of a line simulated by its heat-up: the oven, or the press.

    Too little: log melt dose short of what is needed. Too much: an *ooze* part that runs on with the melt dose
    (flow, migration) and a *scorch* part of higher activation energy; together they are the damage, 1 in the middle
    of the window and exp(high) at its limit.

    Attributes
    ----------
    temp, time : int or float
        Column of the numeric settings, or the held value in degC or s when it is a ``float``.
    melt, scorch : LogDoseTable
    melt_here, scorch_here : float
        Log doses at the middle of the window.
    ooze_share : float
        Share of the damage that is ooze there, 0 to 1.
    low, high : float
        Log margins to the two walls from the middle.
    steep_under, steep_over : float
        Standard deviations of scatter per unit of log dose.
    """

    temp: int | float
    time: int | float
    melt: LogDoseTable
    scorch: LogDoseTable
    melt_here: float
    scorch_here: float
    ooze_share: float
    low: float
    high: float
    steep_under: float
    steep_over: float

    def logs(self, natural: FloatArray, shift: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Log melt dose and log damage against the middle of the window, shifted by the level's need of heat."""
        temp, time = column_of(natural, self.temp), column_of(natural, self.time)
        melt = self.melt(temp, time) - self.melt_here - shift
        scorch = self.scorch(temp, time) - self.scorch_here - shift
        with np.errstate(divide="ignore"):
            parts = np.log(self.ooze_share) + melt, np.log1p(-self.ooze_share) + scorch
        return melt, np.logaddexp(*parts)


@dataclass(frozen=True)
class HeatTruth:
    """Cure and press simulated by heat-up and dose.

    What the oven did is carried to the press: damage adds up (``carry``: the share of the oven's damage, against its
    limit, that counts against the press's limit), and an over-fused powder layer asks for more at the press
    (``stubborn``: log dose per log damage beyond the oven's limit).

    Attributes
    ----------
    stages : tuple of StageHeat
        Oven first.
    carry, stubborn : float
        ``carry`` above 0.
    extra_under, extra_over : array, shape (d, stages)
        Mild effects of the other factors on the margins, per coded unit.
    shifts : tuple of array, shape (levels, stages)
        Log dose that a level of a categorical factor needs more.
    """

    stages: tuple[StageHeat, ...]
    carry: float
    stubborn: float
    extra_under: FloatArray
    extra_over: FloatArray
    shifts: tuple[FloatArray, ...] = ()

    def margins(self, natural: FloatArray, coded: FloatArray, levels: IntArray) -> Margins:
        """See `Truth`."""
        shift = level_shift(self.shifts, levels, len(self.stages))
        under, over, heat = [], [], []
        before = np.empty(0)
        for k, stage in enumerate(self.stages):
            melt, damage = stage.logs(natural, shift[:, k])
            if k:  # what the oven did, as a share of its own limit; nothing moves at the middle of its window
                limit = self.stages[0].high
                melt = melt - self.stubborn * (np.logaddexp(0.0, before - limit) - np.logaddexp(0.0, -limit))
                carried = np.log(self.carry) - limit + stage.high
                damage = np.logaddexp(damage, carried + before) - np.logaddexp(0.0, carried)
            under.append(stage.steep_under * (melt + stage.low))
            over.append(stage.steep_over * (stage.high - damage))
            heat.append((melt / stage.low + damage / stage.high) / 2)
            before = damage
        return Margins(
            np.column_stack(under) + coded @ self.extra_under,
            np.column_stack(over) - coded @ self.extra_over,
            np.column_stack(heat),
        )


@dataclass(frozen=True)
class HandFeel:
    """Mean hand-feel, 1 (stiff) to 5 (soft), of coupons that transferred.

    ``top - sum_k drop_k f(heat_k - best_k) + slopes.z`` held within 1 to 5, with f a parabola, or a hyperbola
    that turns straight far away when ``straight``; ``skew_k`` makes too much heat count more than too little.

    Attributes
    ----------
    top : float
    best, drop, skew : array, shape (heat directions,)
        Softest heat, loss one half-window away from it, and share by which the hot side counts more.
    slopes : array, shape (d,)
        Effect of the other factors per coded unit (more powder is stiffer).
    straight : bool
    shifts : tuple of array, shape (levels,)
        Shift of each level of a categorical factor.
    """

    top: float
    best: FloatArray
    drop: FloatArray
    skew: FloatArray
    slopes: FloatArray
    straight: bool = False
    shifts: tuple[FloatArray, ...] = ()

    def __call__(self, coded: FloatArray, heat: FloatArray, levels: IntArray) -> FloatArray:
        """Mean hand-feel, shape (n,)."""
        away = heat - self.best
        away = away * np.where(away > 0, 1 + self.skew, 1.0)
        loss = (np.sqrt(1 + 3 * away**2) - 1) if self.straight else away**2
        hand = self.top - (loss * self.drop).sum(axis=1) + coded @ self.slopes
        for j, shift in enumerate(self.shifts):
            hand = hand + shift[levels[:, j]]
        return np.asarray(np.clip(hand, 1.0, 5.0))
