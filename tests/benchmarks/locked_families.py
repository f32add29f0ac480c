"""Locked families of simulated lines: no prior, plan, threshold or code path is ever chosen on them.

They are run only to publish (`tests.benchmarks.decisions --world locked`). None shares a formula with a family of
`doe.practice.population`, or with another here: a curved ridge, a box of separate limits, conduction through layers,
flow of the powder into the cloth, failure rates that add up, and two good places with a saddle between.
Hyper-parameters are those of the population; hand-feel has forms of its own. All of it is invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from doe.domain.coding import decode
from doe.practice.kinds import Layout, usual_factor
from doe.practice.population.draw import Family
from doe.practice.population.walls import WallGaps
from doe.practice.truth import Hand

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
GAS = 8.314e-3  # kJ/(mol K)


def _mains(layout: Layout) -> list[int]:
    return [j for columns in layout.stages for j in columns]


@dataclass(frozen=True)
class CurvedRidge:
    """A banana: the best heat depends on the square of the trade, and the window narrows towards its tips."""

    centre: FloatArray
    heat: FloatArray
    trade: FloatArray
    bend: float
    tips: float
    lean: float

    def gaps(self, natural: FloatArray, coded: FloatArray) -> WallGaps:
        """See `doe.practice.population.walls.Shape`."""
        away = coded - self.centre
        along = away @ self.trade
        off = away @ self.heat - self.bend * (along**2 - 0.3)
        tip = self.tips * along**4
        return WallGaps((off + 0.5 - tip)[:, None], (0.5 * self.lean - off * np.exp(0.3 * along) - tip)[:, None])


def curved_ridge(layout: Layout, rng: np.random.Generator, centre: FloatArray) -> CurvedRidge:
    """One ridge through all temperatures and times."""
    d, mains = layout.dimensions, _mains(layout)
    heat, trade = np.zeros(d), np.zeros(d)
    heat[mains] = rng.uniform(0.2, 1.0, len(mains))
    heat /= np.linalg.norm(heat)
    trade[mains] = rng.normal(size=len(mains))
    trade -= (trade @ heat) * heat
    trade /= max(float(np.linalg.norm(trade)), 1e-9)
    return CurvedRidge(centre, heat, trade, rng.normal(0, 0.8), rng.uniform(0.05, 0.5), rng.uniform(0.6, 1.8))


@dataclass(frozen=True)
class SeparateLimits:
    """A box: every setting has a least and a most of its own, one way to fail each."""

    low: FloatArray
    high: FloatArray
    counts: FloatArray

    def gaps(self, natural: FloatArray, coded: FloatArray) -> WallGaps:
        """See `doe.practice.population.walls.Shape`."""
        return WallGaps((coded - self.low) * self.counts, (self.high - coded) * self.counts)


def separate_limits(layout: Layout, rng: np.random.Generator, centre: FloatArray) -> SeparateLimits:
    """Half-widths of their own on either side of the centre."""
    d = layout.dimensions
    sizes = np.exp(rng.normal(-0.5, 0.5, (2, d)))
    return SeparateLimits(centre - sizes[0], centre + sizes[1], np.exp(rng.normal(0, 0.4, d)))


@dataclass(frozen=True)
class Conduction:
    """Heat goes through platen cover, film and adhesive to the cloth; the oven dries first and cross-links then.

    ``layers``: shares and time constants (s) of the two lags under the press; ``rates``: pre-exponential log rates and
    activation energies (kJ/mol) of drying and of cross-linking; ``here``: the state at the centre.
    """

    layout: Layout
    lags: tuple[float, float, float]
    drying: tuple[float, float]
    linking: tuple[float, float]
    here: FloatArray

    def state(self, natural: FloatArray) -> FloatArray:
        """Adhesive and cloth-face temperature, log drying and log cross-linking, shape (n, 4)."""
        cure_t, cure_s, press_t, dwell = _four(self.layout, natural)
        share, quick, slow = self.lags
        left = share * np.exp(-dwell / quick) + (1 - share) * np.exp(-dwell / slow)
        adhesive = press_t - (press_t - 25.0) * left
        face = press_t - (press_t - 25.0) * np.exp(-dwell / quick) * 0.8
        kelvin = 1 / (cure_t + 273.15) - 1 / 398.15
        dry = np.log(cure_s) + self.drying[0] - self.drying[1] / GAS * kelvin
        link = np.log(np.maximum(cure_s - self.drying[1] / 10, 1.0)) + self.linking[0] - self.linking[1] / GAS * kelvin
        return np.column_stack([adhesive / 10, face / 10, dry, link])

    def gaps(self, natural: FloatArray, coded: FloatArray) -> WallGaps:
        """See `doe.practice.population.walls.Shape`."""
        adhesive, face, dry, link = (self.state(natural) - self.here).T
        return WallGaps(np.column_stack([dry, adhesive]), np.column_stack([-link, -face]))


def conduction(layout: Layout, rng: np.random.Generator, centre: FloatArray) -> Conduction:
    """Layers, drying and cross-linking with drawn constants."""
    lags = float(rng.uniform(0.3, 0.8)), float(rng.uniform(1.0, 4.0)), float(rng.uniform(5.0, 20.0))
    drying, linking = (0.0, float(rng.uniform(40, 90))), (0.0, float(rng.uniform(90, 180)))
    blank = Conduction(layout, lags, drying, linking, np.zeros(4))
    return replace(blank, here=blank.state(_natural(layout, centre))[0])


@dataclass(frozen=True)
class Flow:
    """The powder must flow into the cloth, but not through it; what is over-cured flows no more, what is wet blisters.

    Attributes
    ----------
    layout : Layout
    viscosity, stiffens, dries : float
        Activation energies (kJ/mol) of the melt's viscosity, of its cross-linking in the oven, of drying.
    clog : float
        How much cross-linking thickens the melt.
    here : array, shape (3,)
        Log depth, log cross-linking and log water at the centre.
    """

    layout: Layout
    viscosity: float
    stiffens: float
    dries: float
    clog: float
    here: FloatArray

    def state(self, natural: FloatArray) -> FloatArray:
        """Log depth of flow, log cross-linking, log water left, shape (n, 3)."""
        cure_t, cure_s, press_t, dwell = _four(self.layout, natural)
        cure = 1 / (cure_t + 273.15) - 1 / 398.15
        link = np.log(cure_s / 140) - self.stiffens / GAS * cure
        water = -(cure_s / 60) * np.exp(-self.dries / GAS * cure)
        thick = self.viscosity / GAS * (1 / (press_t + 273.15) - 1 / 428.15) + self.clog * np.logaddexp(0, link)
        return np.column_stack([0.5 * (np.log(dwell) - thick), link, water])

    def gaps(self, natural: FloatArray, coded: FloatArray) -> WallGaps:
        """See `doe.practice.population.walls.Shape`."""
        depth, link, water = (self.state(natural) - self.here).T
        blister = -water + 0.5 * np.minimum(-depth, 0)
        return WallGaps(
            np.column_stack([-water * 0.7 + 0.2, depth]), np.column_stack([-link, np.minimum(blister, -depth)])
        )


def flow(layout: Layout, rng: np.random.Generator, centre: FloatArray) -> Flow:
    """A melt and an oven with drawn constants."""
    viscosity, stiffens, dries = rng.uniform(60, 140), rng.uniform(70, 160), rng.uniform(40, 80)
    blank = Flow(layout, viscosity, stiffens, dries, rng.uniform(0.2, 1.2), np.zeros(3))
    return replace(blank, here=blank.state(_natural(layout, centre))[0])


@dataclass(frozen=True)
class AddedRates:
    """Failures as rates that add up: too little falls with a power of the dose, too much rises with another."""

    centre: FloatArray
    doses: FloatArray
    powers: FloatArray

    def gaps(self, natural: FloatArray, coded: FloatArray) -> WallGaps:
        """See `doe.practice.population.walls.Shape`."""
        dose = (coded - self.centre) @ self.doses.T
        sides = []
        for sign, power in ((-1.0, self.powers[0]), (1.0, self.powers[1])):
            rate = np.exp(np.clip(sign * power * dose - 1.2, -30, 3.4)).sum(axis=1)
            sides.append(ndtri(np.clip(np.exp(-rate), 1e-12, 1 - 1e-12)))
        return WallGaps(sides[0][:, None], sides[1][:, None])


def added_rates(layout: Layout, rng: np.random.Generator, centre: FloatArray) -> AddedRates:
    """One equal dose a machine."""
    doses = np.zeros((len(layout.stages), layout.dimensions))
    for k, columns in enumerate(layout.stages):
        doses[k, list(columns)] = rng.uniform(0.4, 1.2, len(columns))
    return AddedRates(centre, doses, np.exp(rng.uniform(np.log(1.0), np.log(5.0), (2, len(doses)))))


@dataclass(frozen=True)
class TwoPlaces:
    """Two good places, hot and short or cool and long, one larger than the other."""

    first: FloatArray
    second: FloatArray
    heat: FloatArray
    widths: FloatArray
    smaller: float

    def gaps(self, natural: FloatArray, coded: FloatArray) -> WallGaps:
        """See `doe.practice.population.walls.Shape`."""
        away = [coded - self.first, coded - self.second]
        bump = [
            size * np.exp(-0.5 * ((a / self.widths) ** 2).sum(axis=1)) - 0.5
            for a, size in zip(away, (1.0, self.smaller), strict=True)
        ]
        height = np.maximum(*bump)
        heat = np.where(bump[0] >= bump[1], away[0] @ self.heat, away[1] @ self.heat)
        return WallGaps(
            np.maximum(height, np.where(heat > 0, 2 * heat, height))[:, None],
            np.maximum(height, np.where(heat <= 0, -2 * heat, height))[:, None],
        )


def two_places(layout: Layout, rng: np.random.Generator, centre: FloatArray) -> TwoPlaces:
    """The second place lies away along the trade of a temperature for a time."""
    d, mains = layout.dimensions, _mains(layout)
    apart = np.zeros(d)
    apart[mains] = rng.normal(size=len(mains))
    apart *= rng.uniform(1.0, 1.8) / max(float(np.linalg.norm(apart)), 1e-9)
    heat = np.zeros(d)
    heat[mains] = rng.uniform(0.2, 1.0, len(mains))
    widths = np.exp(rng.normal(-0.3, 0.3, d))
    return TwoPlaces(centre, centre - np.sign(centre @ apart) * apart, heat, widths, float(rng.uniform(0.7, 1.0)))


LOCKED: Mapping[str, Family] = {
    "curved ridge": curved_ridge,
    "separate limits": separate_limits,
    "conduction": conduction,
    "flow": flow,
    "added rates": added_rates,
    "two places": two_places,
}


@dataclass(frozen=True)
class Tent:
    """Hand-feel that falls in straight lines from its best place, setting by setting."""

    top: float
    best: FloatArray
    slopes: FloatArray

    def __call__(self, coded: FloatArray, heat: FloatArray, levels: IntArray) -> FloatArray:
        """Mean hand-feel, shape (n,)."""
        return np.asarray(np.clip(self.top - np.abs(coded - self.best) @ self.slopes, 1.0, 5.0))


@dataclass(frozen=True)
class Plateau:
    """Hand-feel that stays soft up to a heat, and drops beyond it."""

    top: float
    drop: float
    heat: FloatArray
    edge: float
    steep: float

    def __call__(self, coded: FloatArray, heat: FloatArray, levels: IntArray) -> FloatArray:
        """Mean hand-feel, shape (n,)."""
        beyond = np.maximum(coded @ self.heat - self.edge, 0.0)
        return np.asarray(np.clip(self.top - self.drop * (1 - np.exp(-self.steep * beyond**1.5)), 1.0, 5.0))


def locked_hand(rng: np.random.Generator, centre: FloatArray, heat: FloatArray, wanted: float) -> Hand:
    """Hand-feel of a locked line; see `doe.practice.population.hands.draw_hand`."""
    top = float(np.clip(wanted + rng.uniform(0.3, 1.4), 3.0, 4.95))
    drop = float(np.exp(rng.uniform(np.log(0.15), np.log(3.5))))
    if rng.random() < 0.4:
        return Plateau(top, drop, heat, float(heat @ centre + rng.uniform(-0.2, 0.6)), float(rng.uniform(0.8, 4.0)))
    best = centre + rng.normal(0, 0.25, len(centre)) if rng.random() < 0.7 else rng.uniform(-1, 1, len(centre))
    return Tent(top, best, drop * rng.dirichlet(np.full(len(centre), 1.5)))


def _natural(layout: Layout, centre: FloatArray) -> FloatArray:
    """The centre in stored units, shape (1, d)."""
    return np.array([[float(decode(f, c)) for f, c in zip(layout.study.numeric, centre, strict=True)]])


def _four(layout: Layout, natural: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Cure temperature and time, press temperature and dwell of each row; the usual one where a study holds it."""
    found = []
    for column, name in zip(
        (layout.temps[0], layout.times[0], layout.temps[1], layout.times[1]),
        ("cure_temp", "cure_time", "press_temp", "dwell"),
        strict=True,
    ):
        usual = float(decode(usual_factor(name), 0.0))
        values = np.full(len(natural), usual) if column is None else natural[:, column]
        found.append(np.maximum(values, 0.5) if name in ("cure_time", "dwell") else values)
    return found[0], found[1], found[2], found[3]
