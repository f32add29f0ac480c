"""The window: the largest box around the setpoint in which the target holds, in units of setting error."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd
from scipy.stats import qmc

from doe.domain.coding import FloatArray, round_inward
from doe.domain.factors import Factor
from doe.setpoint.answer import Window
from doe.setpoint.box import STEP, box_points, growth, least_box, least_step, unit_of
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import allowed

LARGEST_EVEN = 4.0
"""Half-width, in setting errors, up to which the box grows evenly in all factors."""

_INSIDE = 24  # points spread inside the box besides its corners and faces


def find_window(
    rate: RobustRate, setpoint: pd.DataFrame, *, kind: Literal["expected", "assured"], rng: np.random.Generator
) -> Window | None:
    """Grow a box from the setpoint, evenly and then side by side, while the target holds in all of it.

    It starts with one machine step to each side of every setting: a box without width in one of them is no window.

    Parameters
    ----------
    rate : RobustRate
    setpoint : DataFrame, one row
    kind : {"expected", "assured"}
        Whether the expected pass rate or its lower bound must hold the target.
    rng : Generator

    Returns
    -------
    Window or None
        None when the target does not hold at the setpoint, or not one machine step to each side of every setting.
    """
    study = rate.study
    target, low = study.spec.pass_rate, 1 - study.spec.assurance
    numeric = study.numeric
    unit = np.array([unit_of(f) for f in numeric])
    rank = rate.surfaces.scaling.rank  # by name: an answer does not depend on the order in which factors are typed
    centre = setpoint[[f.name for f in numeric]].to_numpy(dtype=float)[0]
    ends = np.array([[f.low, f.high] for f in numeric])
    inside = qmc.Sobol(len(numeric), scramble=True, rng=rng).random(_INSIDE + 8)[:_INSIDE, rank]
    few = rate.surfaces.draws.thin(240)

    def worst(box: FloatArray, nodes: int, every: bool) -> float:
        points = box_points(study, setpoint, box, inside)
        if not allowed(study, points).all():
            return -1.0
        draws = rate.draws(points, nodes=nodes, draws=None if every else few)
        merit = draws.mean(axis=0) if kind == "expected" else np.quantile(draws, low, axis=0)
        return float(merit.min())

    if worst(np.column_stack([centre, centre]), 64, True) < target:
        return None
    grow, step = np.array([growth(f) for f in numeric]), np.array([least_step(f) for f in numeric])
    sides = np.array([-1.0, 1.0])
    least = least_box(study, setpoint)  # room on both sides of everything, or there is no window
    if least is None or worst(least, 64, True) < target:
        return None
    box = least
    for reach in np.arange(STEP, LARGEST_EVEN + STEP / 2, STEP):  # first an even box, so that no factor is starved
        wide = np.maximum(reach * unit, step)
        even = np.clip(centre[:, None] + wide[:, None] * sides, ends[:, :1], ends[:, 1:])
        even = _rounded(numeric, even, least)
        if worst(even, 16, False) < target:
            break
        box = even
    open_sides = {(j, side) for j in range(len(numeric)) for side in (0, 1)}
    while open_sides:  # then side by side, the tightest first
        j, side = min(open_sides, key=lambda at: (abs(box[at] - centre[at[0]]) / unit[at[0]], rank[at[0]], at[1]))
        wider = box.copy()
        wider[j, side] = np.clip(box[j, side] + sides[side] * grow[j], *ends[j])
        if wider[j, side] != box[j, side] and worst(wider, 16, False) >= target:
            box = wider
        else:
            open_sides.remove((j, side))
    bounds = _rounded(numeric, box, least)
    final = worst(bounds, 64, True)
    while final < target and not np.array_equal(bounds, least):
        # the quick look used few draws; the box may need to give a little
        bounds = _rounded(numeric, centre[:, None] + 0.9 * (bounds - centre[:, None]), least)
        final = worst(bounds, 64, True)
    reach = np.min(np.minimum(centre - bounds[:, 0], bounds[:, 1] - centre) / unit)
    frame = pd.DataFrame(bounds, index=[f.name for f in numeric], columns=["low", "high"])
    return Window(frame, kind, final, float(reach))


def _rounded(numeric: tuple[Factor, ...], box: FloatArray, least: FloatArray) -> FloatArray:
    """A box moved inward to machine settings, but no smaller than the least one."""
    out = np.empty_like(box)
    for j, f in enumerate(numeric):
        low, high = round_inward(f, *box[j]) or least[j]
        out[j] = min(low, least[j, 0]), max(high, least[j, 1])
    return out
