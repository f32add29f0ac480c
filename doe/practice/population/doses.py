"""The family of dose physics: heat-up with a lag at oven and press, melting and damage after Arrhenius."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from doe.domain.coding import decode
from doe.practice.heat import LogDoseTable, below_face_degc, dose_s, drying_film_degc
from doe.practice.kinds import Layout, usual_factor
from doe.practice.population.walls import WallGaps
from doe.practice.truth import StageHeat

FloatArray = NDArray[np.float64]
_ROOM_DEGC = 22.0


@dataclass(frozen=True)
class Doses:
    """Log doses of melting and of damage against those at the centre.

    Attributes
    ----------
    stages : tuple of StageHeat
    carry : float
        Share of the oven's damage that counts at the press.
    extras : array, shape (d, stages)
        Effect of the factors that are neither temperature nor time, per coded unit.
    """

    stages: tuple[StageHeat, ...]
    carry: float
    extras: FloatArray

    def gaps(self, natural: FloatArray, coded: FloatArray) -> WallGaps:
        """See `walls.Shape`."""
        shift = coded @ self.extras
        under, over = [], []
        before = np.full(len(natural), -np.inf)
        for k, stage in enumerate(self.stages):
            melt, damage = stage.logs(natural, shift[:, k])
            damage = np.logaddexp(damage, np.log(self.carry) + before)
            under.append(melt)
            over.append(-damage)
            before = damage
        return WallGaps(np.column_stack(under), np.column_stack(over))


def doses(layout: Layout, rng: np.random.Generator, centre: FloatArray) -> Doses:
    """Oven and press with drawn lags, melting ranges and activation energies."""
    extras = np.zeros((layout.dimensions, 2))
    extras[list(layout.extras)] = rng.normal(0, 0.3, (len(layout.extras), 2))
    return Doses(tuple(_stage(layout, rng, centre, k) for k in (0, 1)), float(rng.uniform(0.02, 0.15)), extras)


def _stage(layout: Layout, rng: np.random.Generator, centre: FloatArray, k: int) -> StageHeat:
    names = (("cure_temp", "cure_time"), ("press_temp", "dwell"))[k]
    columns = layout.temps[k], layout.times[k]
    factors = [
        layout.study.numeric[c] if c is not None else usual_factor(name) for c, name in zip(columns, names, strict=True)
    ]
    here = [float(decode(f, 0.0 if c is None else centre[c])) for f, c in zip(factors, columns, strict=True)]
    temp, time = factors
    if k == 0:
        path = partial(drying_film_degc, _ROOM_DEGC, lag_s=rng.uniform(8, 30), water_delta_degc=rng.uniform(4, 25))
        melts = here[0] - rng.uniform(10, 35)
    else:
        path = partial(below_face_degc, _ROOM_DEGC, lag_s=rng.uniform(0.03, 0.6))
        melts = here[0] - rng.uniform(25, 60)
    wide = 6 * temp.setting_sd + 15
    span = (temp.low - wide, temp.high + wide), (time.low / 5, time.high * 4)
    melt, scorch = (
        LogDoseTable(partial(dose_s, path, reference_degc=here[0], activation_kj=kj, melts_degc=melting), *span)
        for kj, melting in ((rng.uniform(40, 130), melts), (rng.uniform(130, 320), None))
    )
    at = np.array([here[0]]), np.array([here[1]])
    return StageHeat(
        here[0] if columns[0] is None else columns[0],
        here[1] if columns[1] is None else columns[1],
        melt,
        scorch,
        float(melt(*at)[0]),
        float(scorch(*at)[0]),
        float(rng.uniform(0.1, 0.8)),
        low=0.0,
        high=0.0,
        steep_under=1.0,
        steep_over=1.0,
    )
