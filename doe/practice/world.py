"""An invented world of cloths, powders and rooms, and the simulated line that follows from them by physics.

Every name and every number of the tables below is invented; no fabric, film, powder or machine stands behind them. What
is textbook is the form of the equations; `doe.practice.heat` names the sources.

With T the platen's or the oven's temperature, t the time, A the powder amount and w the water share of the cloth:

* Oven: the film heats like a thin body and waits at the boiling point until the ink's water is gone
  (`heat.drying_film_degc`). The powder fuses by a melt dose, is damaged by ooze and scorch (`truth.StageHeat`).
* Press: so does the bond line, with the lag of the cloth and with the water of the cloth. That water would have warmed
  the cloth by ``w L / c`` (L heat of evaporation, c heat capacity), which is how much later it gets hot.
* Powder: a layer of grains weighs ``cover x 2/3 x grain x density``. Thinner than the cloth's roughness needs, it does
  not hold: margin ``steep log(A / least)``. Much thicker, it creeps out: ``steep log(most / A)``. No heat cures either.
* Pressing long sinks the print into the cloth, whatever the heat: margin ``steep log(sink / t)``.
* Steam: water that turns to steam under a molten layer lifts it: margin ``steep log(bearable / (w (T - 100) / 50))``.
* Platen: the nine places of a 3 x 3 map differ; every print lies on one of them.

The water share follows the room: the cloth's share at 65 % humidity (as regain is stated), in proportion, less what a
pre-press drives out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import NamedTuple

import numpy as np

from doe.domain.errors import InputError
from doe.domain.study import Study
from doe.practice.coupons import FloatArray, Habits, IntArray
from doe.practice.heat import LogDoseTable, dose_s, drying_film_degc
from doe.practice.kinds import Layout
from doe.practice.lines import REACHABLE, SimulatedLine
from doe.practice.materials import SMOOTH, Cloth, Powder
from doe.practice.truth import HandFeel, HeatTruth, Margins, StageHeat, column_of

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


ROOM_DEGC = 22.0
EVAPORATION_KJ_KG = 2257.0
"""Heat of evaporation of water at 100 degC (steam tables, such as those in Incropera and DeWitt; from memory)."""
CLOTH_KJ_KG_K = 1.3
"""Heat capacity of cotton (Incropera and DeWitt, table of insulating materials; from memory)."""
_SCORCH_KJ = 200.0  # activation energy of scorch (invented)
_TRIES = 12


def bond_line_path(cloth: Cloth, water: float) -> partial[np.ndarray]:
    """Temperature of the bond line by platen temperature and time, for a cloth with this share of water."""
    delta = water * EVAPORATION_KJ_KG / CLOTH_KJ_KG_K
    return partial(drying_film_degc, ROOM_DEGC, lag_s=cloth.lag_s, water_delta_degc=delta)


def seconds_to(cloth: Cloth, water: float, platen_degc: float, wanted_degc: float) -> float:
    """Seconds until the bond line of a cloth has a temperature; infinite when it never gets there."""
    times = np.linspace(0, 120, 24_001)
    hot = bond_line_path(cloth, water)(np.full_like(times, platen_degc), times) >= wanted_degc
    return float(times[hot.argmax()]) if hot.any() else np.inf


def workshop_line(cloth: Cloth, powder: Powder, seed: int, study: Study, *, room: Room | None = None) -> SimulatedLine:
    """Line that presses this powder on this cloth: oven and press off by some degrees, lots that vary a little.

    Parameters
    ----------
    cloth, powder : Cloth, Powder
    seed : int
        0 or more: another one is another shop. The same cloth, powder, seed and study give the same line.
    study : Study
        Ranges, setting errors and spec.
    room : Room, optional
        By default one is drawn.

    Raises
    ------
    InputError
        If no such shop reaches the target within the study's ranges.
    """
    if seed < 0:
        raise InputError("seed of a line", seed, "0 or more", "Choose another number.")
    for turn in range(_TRIES):
        line = _draw(cloth, powder, np.random.default_rng([seed, turn, 31]), seed, study, room)
        lost = (1 - study.spec.pass_rate) * (1 - REACHABLE) / 0.05
        if line.best().robust_pass >= 1 - lost:
            return line
    raise InputError(
        "study",
        f"no shop in {_TRIES} that can press {powder.name} on {cloth.name}",
        "ranges and a spec that can be met",
        "Widen the ranges, or choose another cloth or powder.",
    )


def on_cloth(line: SimulatedLine, cloth: Cloth) -> SimulatedLine:
    """The same shop, day and powder lot with another cloth.

    Raises
    ------
    InputError
        If the line is not one of `workshop_line`.
    """
    if not isinstance(line.truth, WorkshopTruth):
        raise InputError("line", line.kind, "a line of the invented world", "Make it with workshop_line.")
    made = line.truth.made
    truth = _truth(cloth, made.powder, made.room, line.study)
    return replace(line, truth=truth, hand=_hand(cloth, made.powder, line.study))


def _draw(
    cloth: Cloth, powder: Powder, rng: np.random.Generator, seed: int, study: Study, room: Room | None
) -> SimulatedLine:
    melts, grain = powder.melts_degc + rng.normal(0, 1.0), powder.grain_um * np.exp(rng.normal(0, 0.04))
    lot = replace(powder, melts_degc=float(melts), grain_um=float(grain))
    habits = Habits.draw(rng)
    offsets = {"cure_temp": -rng.uniform(2, 7), "press_temp": -rng.uniform(2, 7)}
    named = {f.name for f in study.numeric}
    drawn = Room.draw(rng)
    here = drawn if room is None else room
    return SimulatedLine(
        "workshop",
        seed,
        study,
        _truth(cloth, lot, here, study),
        _hand(cloth, lot, study),
        habits,
        {name: float(off) for name, off in offsets.items() if name in named},
        here.places,
    )


def _truth(cloth: Cloth, powder: Powder, room: Room, study: Study) -> WorkshopTruth:
    layout = Layout.of(study)
    d = layout.dimensions
    oven = partial(drying_film_degc, ROOM_DEGC, lag_s=15.0, water_delta_degc=10.0)
    best = bond_line_path(SMOOTH, 0.0)
    here = bond_line_path(cloth, room.water(cloth))
    stages = (
        _stage(study, layout, 0, powder, (powder.cure_degc, powder.cure_s), oven, oven, 0.0),
        _stage(study, layout, 1, powder, (powder.press_degc, powder.press_s), here, best, cloth.bears),
    )
    heat = HeatTruth(stages, carry=0.06, stubborn=0.25, extra_under=np.zeros((d, 2)), extra_over=np.zeros((d, 2)))
    layer = powder.layer_gsm
    names = [f.name for f in study.numeric]
    held = study.held.get("powder_amount", 1.15 * layer * max(1.0, cloth.rough))
    amount: int | float = names.index("powder_amount") if "powder_amount" in names else float(held)
    return WorkshopTruth(
        heat,
        amount,
        least=0.72 * layer * cloth.rough,
        most=2.3 * layer,
        water=room.water(cloth),
        press_temp=stages[1].temp,
        press_time=stages[1].time,
        made=WorkshopTruth.Made(powder, room),
    )


def _stage(
    study: Study,
    layout: Layout,
    k: int,
    powder: Powder,
    best: tuple[float, float],
    path: partial[np.ndarray],
    best_path: partial[np.ndarray],
    bears: float,
) -> StageHeat:
    """Oven or press: the doses along ``path``, against those along ``best_path`` where the powder is at its best."""
    temp_column, time_column = layout.temps[k], layout.times[k]
    temp_f = study.numeric[temp_column] if temp_column is not None else None
    time_f = study.numeric[time_column] if time_column is not None else None
    name = ("cure_temp", "cure_time"), ("press_temp", "dwell")
    temp = temp_column if temp_column is not None else float(study.held.get(name[k][0], best[0]))
    time = time_column if time_column is not None else float(study.held.get(name[k][1], best[1]))
    low, high = (temp_f.low, temp_f.high) if temp_f is not None else (best[0] - 30, best[0] + 30)
    first, last = (time_f.low, time_f.high) if time_f is not None else best[1:] * 2
    span = (min(low, best[0]) - 60, max(high, best[0]) + 60), (min(first, best[1]) / 5, max(last, best[1]) * 4)
    kinds: tuple[tuple[float, float | None], ...] = ((powder.activation_kj, powder.melts_degc), (_SCORCH_KJ, None))
    tables, here = [], []
    for activation, melts in kinds:
        dose = partial(dose_s, reference_degc=best[0] - 10, activation_kj=activation, melts_degc=melts)
        tables.append(LogDoseTable(partial(dose, path), *span))
        here.append(float(np.log(dose(best_path, best[0], best[1]))))
    return StageHeat(
        temp,
        time,
        tables[0],
        tables[1],
        here[0],
        here[1],
        ooze_share=0.6,
        low=1.12,
        high=1.6 + bears,
        steep_under=4.5,
        steep_over=3.3,
    )


def _hand(cloth: Cloth, powder: Powder, study: Study) -> HandFeel:
    """Hand-feel: finer grains are softer, more powder is stiffer."""
    slopes = np.zeros(len(study.numeric))
    for j, f in enumerate(study.numeric):
        if f.name == "powder_amount":
            slopes[j] = -0.35
    top = (study.spec.hand_min or 3.5) + 1.0 + cloth.soft - 0.004 * (powder.grain_um - 100.0)
    return HandFeel(
        top=float(min(top, 4.9)),
        best=np.array([-0.15, -0.2]),
        drop=np.array([0.35, 0.45]),
        skew=np.array([0.2, 0.3]),
        slopes=slopes,
        straight=True,
    )
