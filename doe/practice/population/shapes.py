"""Algebraic and layered families: bowls, slabs, irregular walls, layers, and a press that depends on the oven.

No two of them share a formula. Each function draws a `Shape` for a study's layout; widths are arbitrary, since
`draw` places and sharpens the walls afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.practice.kinds import Layout
from doe.practice.population.walls import WallGaps
from doe.practice.truth import Wiggle

FloatArray = NDArray[np.float64]


def heat_direction(layout: Layout, rng: np.random.Generator, columns: tuple[int, ...] | None = None) -> FloatArray:
    """Unit direction in which prints get hotter: no weight of a temperature or time is negative, shape (d,)."""
    weights = np.zeros(layout.dimensions)
    for j in sum(layout.stages, ()) if columns is None else columns:
        weights[j] = rng.uniform(0.3, 1.0)
    return np.asarray(weights / np.linalg.norm(weights))


def _across(direction: FloatArray, rng: np.random.Generator) -> FloatArray:
    """A unit direction at right angles to another among the factors it weighs; zero where there is none."""
    other = rng.normal(size=len(direction)) * (direction != 0)
    other -= (other @ direction) * direction
    length = float(np.linalg.norm(other))
    return np.asarray(other / length if length > 1e-9 else np.zeros_like(other))


@dataclass(frozen=True)
class Bowl:
    """A closed window: a norm of turned and stretched settings, its hot and its cold flank unlike each other.

    Attributes
    ----------
    centre, heat : array, shape (d,)
    axes : array, shape (d, d)
        Rows: directions over their half-widths.
    power : float
        2 for a ball, more for a flatter top with steeper walls, less for a pointed one.
    hot : float
        How much wider the hot flank is than the cold one.
    """

    centre: FloatArray
    heat: FloatArray
    axes: FloatArray
    power: float
    hot: float

    def gaps(self, natural: FloatArray, coded: FloatArray) -> WallGaps:
        """See `walls.Shape`."""
        away = coded - self.centre
        heat = away @ self.heat
        away = away + np.where(heat > 0, 1 / self.hot - 1, 0.0)[:, None] * heat[:, None] * self.heat
        reach = (np.abs(away @ self.axes.T) ** self.power).sum(axis=1) ** (1 / self.power)
        return WallGaps(
            np.where(heat <= 0, 1 - reach, np.maximum(1 - reach, 3 * heat))[:, None],
            np.where(heat > 0, 1 - reach, np.maximum(1 - reach, -3 * heat))[:, None],
        )


def bowl(layout: Layout, rng: np.random.Generator, centre: FloatArray) -> Bowl:
    """A closed window with a random orientation."""
    d = layout.dimensions
    turn, _ = np.linalg.qr(np.eye(d) + rng.normal(0, 0.35, (d, d)))
    widths = np.exp(rng.normal(0, 0.45, d))
    widths[list(layout.extras)] *= 2.5
    hot = float(np.exp(rng.normal(0, 0.4)))
    return Bowl(centre, heat_direction(layout, rng), turn / widths[:, None], float(rng.uniform(1.3, 4.0)), hot)


@dataclass(frozen=True)
class Slabs:
    """Two walls across the heat of each machine, bent along the trade of temperature for time.

    Attributes
    ----------
    centre : array, shape (d,)
    heats, trades : array, shape (machines, d)
    bend, tilt : array, shape (machines,)
        How much the window bends, and how it narrows along the trade.
    """

    centre: FloatArray
    heats: FloatArray
    trades: FloatArray
    bend: FloatArray
    tilt: FloatArray

    def gaps(self, natural: FloatArray, coded: FloatArray) -> WallGaps:
        """See `walls.Shape`."""
        away = coded - self.centre
        along = away @ self.trades.T
        heat = away @ self.heats.T + self.bend * along**2
        narrow = self.tilt * along
        return WallGaps(heat + 0.6 - narrow, 0.6 - heat - narrow)


def slabs(layout: Layout, rng: np.random.Generator, centre: FloatArray) -> Slabs:
    """Two walls a machine."""
    heats = np.array([heat_direction(layout, rng, columns) for columns in layout.stages])
    trades = np.array([_across(h, rng) for h in heats])
    k = len(heats)
    heats[:, list(layout.extras)] = rng.normal(0, 0.15, (k, len(layout.extras)))
    return Slabs(centre, heats, trades, rng.normal(0, 0.3, k), rng.normal(0, 0.3, k))


@dataclass(frozen=True)
class Irregular:
    """Walls that follow no formula: smooth random surfaces on top of one common heat direction."""

    centre: FloatArray
    heat: FloatArray
    under: Wiggle
    over: Wiggle
    closing: float

    def gaps(self, natural: FloatArray, coded: FloatArray) -> WallGaps:
        """See `walls.Shape`."""
        away = coded - self.centre
        heat, far = away @ self.heat, self.closing * (away**2).sum(axis=1)
        return WallGaps(
            (heat + 0.5 + self.under(coded) - far)[:, None],
            (0.5 - heat + self.over(coded) - far)[:, None],
        )


def irregular(layout: Layout, rng: np.random.Generator, centre: FloatArray) -> Irregular:
    """Random surfaces of a length of a half to a whole range."""
    length, sd = rng.uniform(0.6, 1.2), rng.uniform(0.25, 0.6)
    under, over = (Wiggle.draw(rng, layout.dimensions, sd=sd, length=length) for _ in (0, 1))
    return Irregular(centre, heat_direction(layout, rng), under, over, closing=float(rng.uniform(0.0, 0.4)))


@dataclass(frozen=True)
class Layers:
    """Every layer asks for its own least, or bears its own most: one threshold a layer, each on few settings.

    Attributes
    ----------
    centre : array, shape (d,)
    needs, bears : array, shape (layers, d)
        What counts for a layer, of too little and of too much.
    room_under, room_over : array, shape (layers,)
        Distance of each threshold from the centre.
    knee : float
        Settings far beyond the centre count ever less (a layer is through when it is through).
    """

    centre: FloatArray
    needs: FloatArray
    bears: FloatArray
    room_under: FloatArray
    room_over: FloatArray
    knee: float

    def gaps(self, natural: FloatArray, coded: FloatArray) -> WallGaps:
        """See `walls.Shape`."""
        away = coded - self.centre
        away = self.knee * np.tanh(away / self.knee)
        return WallGaps(away @ self.needs.T + self.room_under, self.room_over - away @ self.bears.T)


def layers(layout: Layout, rng: np.random.Generator, centre: FloatArray) -> Layers:
    """Two or three layers a machine for either side."""

    def some() -> FloatArray:
        rows = []
        for columns in layout.stages:
            for _ in range(int(rng.integers(1, 3))):
                row = np.zeros(layout.dimensions)
                row[list(columns)] = rng.dirichlet(np.full(len(columns), 0.7))
                row[list(layout.extras)] = rng.normal(0, 0.12, len(layout.extras))
                rows.append(row / max(float(np.linalg.norm(row)), 1e-9))
        return np.array(rows)

    needs, bears = some(), some()
    return Layers(
        centre,
        needs,
        bears,
        rng.uniform(0.2, 0.9, len(needs)),
        rng.uniform(0.2, 0.9, len(bears)),
        float(rng.uniform(0.8, 3.0)),
    )


@dataclass(frozen=True)
class Linked:
    """The oven decides what the press needs: a poorly cured film asks for more there, an over-cured one bears less.

    Attributes
    ----------
    centre : array, shape (d,)
    oven, press : array, shape (d,)
        Heat directions of the machines.
    link : float
        Press heat needed more per unit of oven heat short of its middle.
    wide : float
        Half-width of the oven's own window against the press's.
    """

    centre: FloatArray
    oven: FloatArray
    press: FloatArray
    link: float
    wide: float

    def gaps(self, natural: FloatArray, coded: FloatArray) -> WallGaps:
        """See `walls.Shape`."""
        away = coded - self.centre
        oven, press = away @ self.oven, away @ self.press + self.link * (away @ self.oven)
        brittle = 0.3 * self.link * np.logaddexp(0, 4 * oven) / 4
        return WallGaps(
            np.column_stack([oven + self.wide, press + 0.5]),
            np.column_stack([self.wide - oven, 0.5 - press - brittle]),
        )


def linked(layout: Layout, rng: np.random.Generator, centre: FloatArray) -> Linked:
    """Oven and press of one line; with one machine, its temperature and its time."""
    stages = layout.stages if len(layout.stages) > 1 else tuple((c,) for c in layout.stages[0])
    first, last = stages[0], stages[-1]
    return Linked(
        centre,
        heat_direction(layout, rng, first),
        heat_direction(layout, rng, last),
        float(rng.uniform(0.3, 1.2)),
        float(rng.uniform(0.5, 1.2)),
    )
