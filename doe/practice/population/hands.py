"""Hand-feel of the population's lines: nearly flat to falling away steeply, its best place near the window's or not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Peaked:
    """Softest at one place, less around it: ``top - depth * r^power``, held within 1 to 5.

    Attributes
    ----------
    top, depth, power : float
        Points of the scale at the best place, points lost one unit away from it, and how pointed it is.
    best : array, shape (d,)
    axes : array, shape (r, d)
        Directions that count, coded.
    """

    top: float
    depth: float
    power: float
    best: FloatArray
    axes: FloatArray

    def __call__(self, coded: FloatArray, heat: FloatArray, levels: IntArray) -> FloatArray:
        """Mean hand-feel, shape (n,)."""
        reach = np.sqrt((((coded - self.best) @ self.axes.T) ** 2).sum(axis=1))
        return np.asarray(np.clip(self.top - self.depth * reach**self.power, 1.0, 5.0))


@dataclass(frozen=True)
class Stiffening:
    """The hotter the stiffer, without a best place: a logistic fall along the heat, held within 1 to 5."""

    top: float
    depth: float
    direction: FloatArray
    middle: float
    width: float

    def __call__(self, coded: FloatArray, heat: FloatArray, levels: IntArray) -> FloatArray:
        """Mean hand-feel, shape (n,)."""
        hot = (coded @ self.direction - self.middle) / self.width
        return np.asarray(np.clip(self.top - self.depth / (1 + np.exp(-hot)), 1.0, 5.0))


def draw_hand(rng: np.random.Generator, centre: FloatArray, heat: FloatArray, wanted: float) -> Peaked | Stiffening:
    """Hand-feel of a line.

    Parameters
    ----------
    centre, heat : array, shape (d,)
        Middle and heat direction of the pass window, coded.
    wanted : float
        Least mean hand-feel that the spec asks for, or would.
    """
    top = float(np.clip(wanted + rng.uniform(0.3, 1.4), 3.0, 4.95))
    depth = float(np.exp(rng.uniform(np.log(0.15), np.log(3.5))))
    if rng.random() < 0.35:
        return Stiffening(top, depth, heat, float(heat @ centre + rng.uniform(0.0, 1.0)), float(rng.uniform(0.1, 0.6)))
    near = rng.random() < 0.7
    best = centre + rng.normal(0, 0.25, len(centre)) if near else rng.uniform(-1, 1, len(centre))
    rest = rng.normal(0, 0.25, (2, len(centre)))
    return Peaked(top, depth, float(rng.uniform(1.0, 2.5)), best, np.vstack([heat, rest]))
