"""The window: the largest box around the setpoint in which the target holds, in units of setting error."""

from __future__ import annotations

from itertools import product
from typing import Literal

import numpy as np
import pandas as pd
from scipy.stats import qmc

from doe.domain.coding import FloatArray, round_inward
from doe.domain.factors import Factor
from doe.domain.study import Study
from doe.setpoint.answer import Window
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import allowed

STEP = 0.5
"""Growth of the box at a time, in setting errors; a side grows by at least one machine step."""

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
    unit = np.array([_unit(f) for f in numeric])
    centre = setpoint[[f.name for f in numeric]].to_numpy(dtype=float)[0]
    ends = np.array([[f.low, f.high] for f in numeric])
    inside = qmc.Sobol(len(numeric), scramble=True, rng=rng).random(_INSIDE + 8)[:_INSIDE]
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
    grow, step = np.array([growth(f) for f in numeric]), np.array([_least_step(f) for f in numeric])
    sides = np.array([-1.0, 1.0])
    box = centre[:, None] + step[:, None] * sides  # room on both sides of everything, or there is no window
    if (box[:, 0] < ends[:, 0] - 1e-9).any() or (box[:, 1] > ends[:, 1] + 1e-9).any() or worst(box, 64, True) < target:
        return None
    least = box
    for reach in np.arange(STEP, LARGEST_EVEN + STEP / 2, STEP):  # first an even box, so that no factor is starved
        wide = np.maximum(reach * unit, step)
        even = np.clip(centre[:, None] + wide[:, None] * sides, ends[:, :1], ends[:, 1:])
        even = _rounded(numeric, even, least)
        if worst(even, 16, False) < target:
            break
        box = even
    open_sides = {(j, side) for j in range(len(numeric)) for side in (0, 1)}
    while open_sides:  # then side by side, the tightest first
        j, side = min(open_sides, key=lambda at: (abs(box[at] - centre[at[0]]) / unit[at[0]], at))
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


def _unit(factor: Factor) -> float:
    """Setting error of a factor, or a tenth of its range where none was stated."""
    return factor.setting_sd or (factor.high - factor.low) / 10


def growth(factor: Factor) -> float:
    """Growth of one side at a time: half a setting error, in whole machine steps."""
    step = factor.step or 0.0
    return step * max(1, round(STEP * _unit(factor) / step)) if step else STEP * _unit(factor)


def _least_step(factor: Factor) -> float:
    """What counts as room on a side: one machine step, or a quarter of a setting error where there are no steps."""
    return factor.step or _unit(factor) / 4


def _rounded(numeric: tuple[Factor, ...], box: FloatArray, least: FloatArray) -> FloatArray:
    """A box moved inward to machine settings, but no smaller than the least one."""
    out = np.empty_like(box)
    for j, f in enumerate(numeric):
        low, high = round_inward(f, *box[j]) or least[j]
        out[j] = min(low, least[j, 0]), max(high, least[j, 1])
    return out


def box_points(study: Study, setpoint: pd.DataFrame, box: FloatArray, inside: FloatArray) -> pd.DataFrame:
    """Corners, face centres and inner points of a box, as settings."""
    k = len(box)
    corners = np.array(list(product((0.0, 1.0), repeat=k)))
    faces = np.full((2 * k, k), 0.5)
    faces[np.arange(2 * k), np.repeat(np.arange(k), 2)] = np.tile([0.0, 1.0], k)
    share = np.concatenate([corners, faces, inside])
    values = box[:, 0] + share * (box[:, 1] - box[:, 0])
    frame = pd.DataFrame(values, columns=[f.name for f in study.numeric])
    for f in study.categorical:
        frame[f.name] = setpoint[f.name].iloc[0]
    return frame[list(study.factor_names)]
