"""The room and the machines of the invented world on one day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doe.domain.errors import InputError
from doe.practice.materials import Cloth

PRE_PRESS_LEAVES = 0.2
"""Share of a cloth's water left after a pre-press (invented)."""


@dataclass(frozen=True)
class Room:
    """The room and the machines of one day.

    ``humidity``: share, 0 to 1; ``pre_press``: whether cloth is pressed dry first; ``places``: nine places of the
    platen against its middle, in degC, row by row.

    Raises
    ------
    InputError
        If the humidity is no share, or the platen map has not nine places.
    """

    humidity: float = 0.5
    pre_press: bool = True
    places: tuple[float, ...] = (0.0,) * 9

    def __post_init__(self) -> None:
        if not 0 <= self.humidity <= 1:
            raise InputError("humidity", self.humidity, "0 to 1", "Write 50 % as 0.5.")
        if len(self.places) != 9:
            raise InputError("platen map", f"{len(self.places)} places", "9 places", "Give 3 rows of 3.")

    @classmethod
    def draw(cls, rng: np.random.Generator) -> Room:
        """A room and a platen: cooler to the edges, with a weak heater somewhere (invented)."""
        rim = np.array([-2.0, -1.0, -2.0, -1.0, 0.0, -1.0, -2.0, -1.0, -2.0])
        weak = np.where(np.arange(9) == rng.integers(9), -2.0, 0.0)
        places = rng.uniform(0.4, 1.2) * rim + weak + rng.normal(0, 0.5, 9)
        return cls(float(rng.uniform(0.35, 0.6)), True, tuple(np.round(places - places[4], 2).tolist()))

    def water(self, cloth: Cloth) -> float:
        """Water share of a cloth as it comes under the platen."""
        return cloth.water * self.humidity / 0.65 * (PRE_PRESS_LEAVES if self.pre_press else 1.0)
