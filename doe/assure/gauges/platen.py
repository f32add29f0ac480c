"""Platen maps: where a platen or an oven is cold, and where coupons may lie."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from doe.assure.gauges.readings import FloatArray, true_reading
from doe.domain.errors import InputError
from doe.domain.finding import Finding, Value
from doe.domain.gauge import GaugeReading

CLEAR_DELTA_DEGC = 3.0
"""Places that differ from the mean by less are not worth a name (common practice, no source)."""

CENTRE = "centre"

READING_U_DELTA_DEGC = 0.5
"""Standard uncertainty of one reading from time to time (common practice, no source)."""

_ROWS = {"back": 0, "rear": 0, "far": 0, "top": 0, "front": 2, "near": 2, "bottom": 2}
_COLUMNS = {"left": 0, "right": 2}
_MIDDLE = ("middle", "centre", "center")
_NUMBERED = re.compile(r"^(?:row\s*)?(\d+)\s*(?:,|/|x|\s)\s*(?:column\s*|col\s*)?(\d+)$")


MeaningCode = Literal["span", "cold", "hot", "compare at", "confirm at", "even", "not clear", "not read", "read once"]
"""Codes of `PlatenMap.meaning`."""


@dataclass(frozen=True)
class PlatenMap:
    """Temperature over a platen, as deviations from what it was set to.

    Attributes
    ----------
    deviation_delta_degc : array, shape (rows, columns)
        Mean of measured minus set at each place, row 0 at the back, column 0 on the left; NaN where not read.
    passes : int array, shape (rows, columns)
        Readings behind each.
    mean_delta_degc, spread_delta_degc, half_range_delta_degc : float
        Mean over places, highest minus lowest place, and half of that.
    place_sd_delta_degc : float
        Standard deviation from place to place, the share of reading scatter taken out.
    repeat_sd_delta_degc : float or None
        Scatter of repeated readings at one place, on ``repeat_df`` degrees of freedom; None without repeats.
    repeat_df : int
    cold, hot : tuple of str
        Places clearly below or above the mean, the worst first.
    worst : str
        The place farthest from the mean.
    coupon_places : tuple of str
        Places that are alike, nearest to the mean first: compare coupons made there.
    is_even : bool
        Whether every place that was read lies within `CLEAR_DELTA_DEGC` of the mean.
    meaning : tuple of Finding
        What it means for where to place a coupon, by `MeaningCode`.
    """

    deviation_delta_degc: FloatArray
    passes: NDArray[np.intp]
    mean_delta_degc: float
    spread_delta_degc: float
    half_range_delta_degc: float
    place_sd_delta_degc: float
    repeat_sd_delta_degc: float | None
    repeat_df: int
    cold: tuple[str, ...]
    hot: tuple[str, ...]
    worst: str
    coupon_places: tuple[str, ...]
    is_even: bool
    meaning: tuple[Finding, ...]

    @property
    def places(self) -> int:
        """How many places were read."""
        return int((self.passes > 0).sum())


def place_of(text: str, grid: tuple[int, int] = (3, 3)) -> tuple[int, int] | None:
    """Row and column of a place in words or numbers; None if it is not a place of the grid.

    Words such as ``back left`` or ``centre`` name places of a 3 x 3 grid; any grid takes ``row 2 column 5`` or ``2,5``,
    counted from the back and from the left.

    >>> place_of("Back left"), place_of("centre"), place_of("row 2 column 3"), place_of("lid")
    ((0, 0), (1, 1), (1, 2), None)
    """
    words = re.sub(r"[-_]", " ", text.strip().lower())
    numbered = _NUMBERED.match(words)
    if numbered:
        row, column = int(numbered[1]) - 1, int(numbered[2]) - 1
        return (row, column) if 0 <= row < grid[0] and 0 <= column < grid[1] else None
    found = words.split()
    if grid != (3, 3) or not found or any(w not in (*_ROWS, *_COLUMNS, *_MIDDLE) for w in found):
        return None
    rows = [_ROWS[w] for w in found if w in _ROWS]
    columns = [_COLUMNS[w] for w in found if w in _COLUMNS]
    if len(rows) > 1 or len(columns) > 1:
        return None
    return (rows[0] if rows else 1, columns[0] if columns else 1)


def spot_of(place: str) -> str:
    """One name for one place, however it was written.

    >>> spot_of("Center") == spot_of("middle"), spot_of("Lid")
    (True, 'lid')
    """
    at = place_of(place)
    return " ".join(place.lower().split()) if at is None else f"{at[0]},{at[1]}"


def reading_spot(reading: GaugeReading) -> str:
    """The same for what was read: a place of one platen is none of another."""
    spot = spot_of(reading.place)
    return spot if reading.platen is None else f"{reading.platen.strip().casefold()}: {spot}"


def at_one_setting(readings: Sequence[GaugeReading]) -> Sequence[GaugeReading]:
    """Readings at the setting where most places were read; all of them where no setting has three."""
    places: dict[float, set[str]] = defaultdict(set)
    for r in readings:
        places[r.set_degc].add(reading_spot(r))
    best = max(places, key=lambda s: (len(places[s]), s), default=None)
    if best is None or len(places[best]) < 3:
        return readings
    return [r for r in readings if r.set_degc == best]


def place_name(row: int, column: int, grid: tuple[int, int] = (3, 3)) -> str:
    """Words for a place of the grid.

    >>> place_name(0, 0), place_name(1, 1), place_name(2, 1), place_name(0, 3, (4, 4))
    ('back left', 'centre', 'front', 'row 1 column 4')
    """
    if grid != (3, 3):
        return f"row {row + 1} column {column + 1}"
    words = f"{('back', '', 'front')[row]} {('left', '', 'right')[column]}".strip()
    return words or "centre"


def judge_map(readings: Sequence[GaugeReading], *, grid: tuple[int, int] = (3, 3)) -> PlatenMap:
    """Summarise readings taken over a platen or an oven belt.

    Parameters
    ----------
    readings : sequence of GaugeReading
        Of one machine, and one of its platens; those whose place is not one of the grid are left out. Infrared
        readings are set right first.
    grid : (rows, columns)

    Returns
    -------
    PlatenMap

    Raises
    ------
    InputError
        If fewer than three places of the grid were read.

    Notes
    -----
    Outer places are read 25 mm in from the edge, press closed and soaked, in three passes (common practice, no source).
    """
    at: dict[tuple[int, int], list[tuple[float, float]]] = defaultdict(list)
    for reading in readings:
        place = place_of(reading.place, grid)
        if place is not None:
            at[place].append((reading.set_degc, true_reading(reading).degc - reading.set_degc))
    if len(at) < 3:
        raise InputError(
            "platen map",
            f"readings at {len(at)} places",
            "3 places or more",
            f"Read places such as {place_name(0, 0, grid)}; a map of all {grid[0]} x {grid[1]} is best.",
        )
    deviation = np.full(grid, np.nan)
    passes = np.zeros(grid, dtype=np.intp)
    for place, values in at.items():
        deviation[place], passes[place] = np.mean([v for _, v in values]), len(values)
    repeat_sd, repeat_df = _repeats(at)
    read = passes > 0
    mean = float(deviation[read].mean())
    scatter = READING_U_DELTA_DEGC if repeat_sd is None else repeat_sd
    noise = scatter**2 * float((1 / passes[read]).mean())
    place_sd = math.sqrt(max(float(deviation[read].var(ddof=1)) - noise, 0.0))
    away = deviation - mean
    clear = np.maximum(CLEAR_DELTA_DEGC, 2 * scatter / np.sqrt(np.maximum(passes, 1)))
    order = sorted((p for p in product(range(grid[0]), range(grid[1])) if read[p]), key=lambda p: abs(away[p]))
    name = {p: place_name(p[0], p[1], grid) for p in order}
    cold = tuple(name[p] for p in sorted(order, key=lambda p: away[p]) if away[p] < -clear[p])
    hot = tuple(name[p] for p in sorted(order, key=lambda p: -away[p]) if away[p] > clear[p])
    alike = tuple(name[p] for p in order if abs(away[p]) <= clear[p])
    spread = float(np.ptp(deviation[read]))
    worst = name[order[-1]]
    return PlatenMap(
        deviation_delta_degc=deviation,
        passes=passes,
        mean_delta_degc=mean,
        spread_delta_degc=spread,
        half_range_delta_degc=spread / 2,
        place_sd_delta_degc=place_sd,
        repeat_sd_delta_degc=repeat_sd,
        repeat_df=repeat_df,
        cold=cold,
        hot=hot,
        worst=worst,
        coupon_places=alike,
        is_even=bool(np.abs(away[read]).max() <= CLEAR_DELTA_DEGC),
        meaning=_meaning(
            spread,
            worst,
            cold,
            hot,
            alike,
            unread=int((~read).sum()),
            repeat_sd=repeat_sd,
            farthest=float(np.abs(away[read]).max()),
        ),
    )


def _repeats(at: dict[tuple[int, int], list[tuple[float, float]]]) -> tuple[float | None, int]:
    """Pooled scatter of readings at one place and one setting."""
    squares, df = 0.0, 0
    for values in at.values():
        groups: dict[float, list[float]] = defaultdict(list)
        for setting, value in values:
            groups[setting].append(value)
        for group in groups.values():
            squares += float(np.sum((np.array(group) - np.mean(group)) ** 2))
            df += len(group) - 1
    return (math.sqrt(squares / df), df) if df else (None, 0)


def _meaning(
    spread: float,
    worst: str,
    cold: tuple[str, ...],
    hot: tuple[str, ...],
    alike: tuple[str, ...],
    *,
    unread: int,
    repeat_sd: float | None,
    farthest: float,
) -> tuple[Finding, ...]:
    found = [_means("span", spread_delta_degc=spread)]
    if cold:
        found.append(_means("cold", places=cold))
    if hot:
        found.append(_means("hot", places=hot))
    if cold or hot:
        if alike:
            found.append(_means("compare at", places=alike))
        found.append(_means("confirm at", place=worst))
    elif farthest <= CLEAR_DELTA_DEGC or repeat_sd is None:
        found.append(_means("even", within_delta_degc=CLEAR_DELTA_DEGC))
    else:
        found.append(_means("not clear", repeat_sd_delta_degc=repeat_sd, place=worst, away_delta_degc=farthest))
    if unread:
        found.append(_means("not read", places=unread))
    if repeat_sd is None:
        found.append(_means("read once"))
    return tuple(found)


def _means(code: MeaningCode, **values: Value) -> Finding:
    return Finding(code, values)
