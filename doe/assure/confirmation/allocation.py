"""Where confirmation coupons go: the setpoint, and the worst corners of the window."""

from __future__ import annotations

from itertools import product
from typing import Literal

import numpy as np
import pandas as pd

from doe.domain.errors import InputError
from doe.domain.study import Study
from doe.setpoint.answer import Answer
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import allowed
from doe.surfaces.fitted import Surfaces

SETPOINT = "setpoint"
CORNER = "corner"

CORNER_COUPONS = 4
"""Coupons at each worst corner: enough that a corner where half the prints fail is missed once in 16 times."""


def confirmation_points(study: Study, surfaces: Surfaces, answer: Answer, *, corners: int = 2) -> pd.DataFrame:
    """The setpoint and the worst corners of the window.

    Parameters
    ----------
    study : Study
    surfaces : Surfaces
    answer : Answer
        With its window; without one only the setpoint is returned.
    corners : int
        How many corners, 0 or more. The first is the one with the lowest robust pass rate, the next the lowest on the
        other side (too much heat where the first has too little), then the lowest that are left.

    Returns
    -------
    DataFrame
        One row a point: role (``setpoint``, ``corner 1`` ...), the factors, pass_rate (expected robust rate of the
        checks), pass_rate_low (at the spec's assurance), side (how prints would fail there).

    Raises
    ------
    InputError
        If less than no corner is asked for.

    Notes
    -----
    Corners that coincide with the setpoint, or that limits or forbidden combinations exclude, are left out.
    """
    if corners < 0:
        raise InputError("corners", corners, "0 or more", "Say how many corners of the window to test.")
    names = list(study.factor_names)
    here = pd.DataFrame([{n: answer.setpoint[n] for n in names}])
    points = here
    if answer.window is not None and corners:
        box = answer.window.bounds.loc[[f.name for f in study.numeric]].to_numpy(dtype=float)
        ends = [np.unique(row) for row in box]
        frame = pd.DataFrame(list(product(*ends)), columns=[f.name for f in study.numeric])
        for f in study.categorical:
            frame[f.name] = answer.setpoint[f.name]
        frame = frame[names]
        keep = allowed(study, frame) & (frame != here.iloc[0]).any(axis=1).to_numpy()
        points = pd.concat([here, frame[keep]], ignore_index=True)
    rates = RobustRate(study, surfaces).draws(points, nodes=64, hand=False)
    under, over = surfaces.side_draws(points)
    table = points.assign(
        pass_rate=rates.mean(axis=0),
        pass_rate_low=np.quantile(rates, 1 - study.spec.assurance, axis=0),
        side=np.where(over.mean(axis=0) > under.mean(axis=0), "over", "under"),
    )
    order = _worst_first(table.iloc[1:])[:corners]
    chosen = table.loc[[0, *order]].reset_index(drop=True)
    chosen.insert(0, "role", [SETPOINT, *(f"{CORNER} {i + 1}" for i in range(len(order)))])
    return chosen


def confirmation_settings(
    study: Study, points: pd.DataFrame, *, setpoint_coupons: int, corner_coupons: int = CORNER_COUPONS
) -> pd.DataFrame:
    """Coupons to make: the points repeated, columns role and the factors. The planner puts them in order.

    Parameters
    ----------
    study : Study
    points : DataFrame
        As `confirmation_points` gives.
    setpoint_coupons : int
        Of the plan chosen for the claim (units times coupons a stroke).
    corner_coupons : int
        At each corner; 0 for none.

    Raises
    ------
    InputError
        If there is no coupon at the setpoint, or a count is below 0.
    """
    if setpoint_coupons < 1 or corner_coupons < 0:
        raise InputError(
            "confirmation coupons",
            f"{setpoint_coupons} and {corner_coupons}",
            "1 or more at the setpoint, 0 or more at a corner",
            "Choose a plan first.",
        )
    times = [setpoint_coupons if role == SETPOINT else corner_coupons for role in points["role"]]
    return points.loc[points.index.repeat(times), ["role", *study.factor_names]].reset_index(drop=True)


def _worst_first(corners: pd.DataFrame) -> list[int]:
    """Rows from worst to best, the second being the worst on the other side where there is one."""
    order = corners.sort_values("pass_rate", kind="stable")
    rows = [int(i) for i in order.index]
    if len(rows) > 1:
        first: Literal["under", "over"] = order["side"].iloc[0]
        other = [int(i) for i in order.index[order["side"] != first]]
        if other:
            rows = [rows[0], other[0], *(i for i in rows[1:] if i != other[0])]
    return rows
