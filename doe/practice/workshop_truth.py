"""What happens on a line of the invented world: heat at both machines, and powder and water."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from doe.practice.materials import Powder
from doe.practice.room import Room
from doe.practice.truth import HeatTruth, Margins, column_of

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_STEEP = 6.0
"""Standard deviations of scatter per unit of log amount or log steam (invented)."""
_SINK_S = 26.0
"""Time under the platen that sinks half of the prints (invented)."""
_STEAM = 0.045
"""Water share that turns to steam at 150 degC and just lifts a molten layer (invented)."""


@dataclass(frozen=True)
class WorkshopTruth:
    """Margins of the invented world; `doe.practice.world` has the equations.

    Attributes
    ----------
    heat : HeatTruth
    amount : int or float
        Column of the powder amount, or the held amount in g/m2.
    least, most : float
        g/m2.
    water : float
        Water share of the cloth under the platen.
    press_temp, press_time : int or float
        Column of the press temperature and of the dwell, or the held ones.
    made : Made
        The powder lot and the room behind it.
    """

    class Made(NamedTuple):
        """What the line was made from, beside the cloth."""

        powder: Powder
        room: Room

    heat: HeatTruth
    amount: int | float
    least: float
    most: float
    water: float
    press_temp: int | float
    press_time: int | float
    made: Made

    def margins(self, natural: FloatArray, coded: FloatArray, levels: IntArray) -> Margins:
        """See `doe.practice.truth.Truth`."""
        found = self.heat.margins(natural, coded, levels)
        amount = np.maximum(column_of(natural, self.amount), 1e-6)
        steam = self.water * np.maximum(column_of(natural, self.press_temp) - 100.0, 0.0) / 50.0
        other = np.column_stack(  # in the order of coupons.OTHER_MECHANISMS
            [
                np.log(amount / self.least),
                np.log(self.most / amount),
                np.log(_STEAM / np.maximum(steam, 1e-6)),
            ]
        )
        sunk = _STEEP * np.log(_SINK_S / np.maximum(column_of(natural, self.press_time), 1e-6))
        return Margins(found.under, np.column_stack([found.over, sunk]), found.heat, _STEEP * other)
