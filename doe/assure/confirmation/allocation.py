"""Where confirmation coupons go, the setpoint and the worst corners of the window, in an order a person can run."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import product
from math import prod
from typing import Literal

import numpy as np
import pandas as pd

from doe.domain.errors import InputError, check_seed
from doe.domain.stack import Line
from doe.domain.study import Study
from doe.plans.build import round_frame
from doe.plans.order import LEAST_IN_BATCH
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

    Notes
    -----
    Corners that coincide with the setpoint, or that limits or forbidden combinations exclude, are left out.
    """
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


def endured_levels(study: Study) -> int:
    """Combinations of levels on each of which one setting must hold; 1 where there are none."""
    return prod(len(f.levels) for f in study.endured)


def confirmation_settings(
    study: Study, points: pd.DataFrame, times: Sequence[int], made: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Units and coupons to make, columns role and the factors: each of the points so many times, in their order.

    Each place has its coupons on the levels of endured factors in turn, those first that have least of the ``made``
    ones, so that what is made in place of a void coupon is made on its level.
    """
    rows = points.loc[points.index.repeat(times), ["role", *study.factor_names]].reset_index(drop=True)
    if not study.endured:
        return rows
    names = [f.name for f in study.endured]
    turns = list(product(*(f.levels for f in study.endured)))
    there = [] if made is None else made[["role", *names]].to_numpy(dtype=object).tolist()
    before = Counter(tuple(map(str, row)) for row in there)
    chosen = []
    for role in rows["role"]:
        place = min(((str(role), *levels) for levels in turns), key=lambda place: before[place])
        before[place] += 1
        chosen.append(place[1:])
    return rows.assign(**{name: [levels[j] for levels in chosen] for j, name in enumerate(names)})


def _worst_first(corners: pd.DataFrame) -> list[int]:
    """Rows from worst to best, the second being the worst on the other side where there is one."""
    order = corners.sort_values("pass_rate", kind="stable")
    rows = [int(i) for i in order.index]
    other = [i for i in rows if corners["side"][i] != corners["side"][rows[0]]]
    first = [rows[0], *other[:1]] if rows else []
    return [*first, *(i for i in rows if i not in first)]


Unit = Literal["coupon", "stroke"]

SET_UPS = 6
"""How often each machine is set for the setpoint. What that is worth is measured by
``tests/benchmarks/confirmation.py``."""

LUCKY = {1: 0.24, 3: 0.18, 6: 0.13, 22: 0.09}
"""By set-ups of each machine: share of runs that accept a setpoint just missing its claim (90 % with 90 % assurance,
22 coupons, no failure allowed), on invented lines whose batches share 30 to 70 % of their error variance; were coupons
independent it would be 0.10. Printed by ``python -m tests.benchmarks.confirmation --lines 6 --runs 25``."""


def order_confirmation(
    study: Study,
    settings: pd.DataFrame,
    *,
    number: int,
    seed: int,
    line: Line,
    unit: Unit = "coupon",
    set_ups: int = SET_UPS,
) -> pd.DataFrame:
    """One ordered round in which the machines are set afresh again and again for the setpoint.

    A confirmation made at one turn of the dials would only confirm that turn: coupons of one batch share what the
    machine is off. Batches, strokes and garments are numbered from 1.

    Parameters
    ----------
    study : Study
    settings : DataFrame
        One row a unit at the setpoint and one row a coupon at a corner: role and the factors
        (`confirmation_settings` with the units of the claim).
    number : int
        Of the round.
    seed : int
    line : Line
        ``coupons_per_stroke`` coupons make a unit where strokes are counted.
    unit : {"coupon", "stroke"}
        ``coupon``: each coupon at the setpoint has a stroke of its own. ``stroke``: a full platen is pressed each time.
    set_ups : int
        Batches at oven and press that the units at the setpoint are spread over, at least; fewer where they would hold
        less than two units each.

    Returns
    -------
    DataFrame
        Columns of `doe.plans.Plan.coupons`.

    Raises
    ------
    InputError
        If the machines are not set even once, or the seed cannot be used.
    """
    check_seed(seed)
    if set_ups < 1:
        raise InputError("set-ups", set_ups, "1 or more", "Say how often oven and press are set afresh.")
    each = line.coupons_per_stroke if unit == "stroke" else 1
    # one coupon a stroke first: coupons that judge a setpoint must not lean on their neighbours under the platen
    frame = round_frame(
        replace(study, coupons_per_garment=max(1, study.per_garment // each)),
        settings[list(study.factor_names)].reset_index(drop=True),
        settings["role"].to_numpy(dtype=object),
        np.random.default_rng([seed, number, 2]),
        number=number,
        line=replace(line, coupons_per_stroke=1),
        ends=None,
        order="repeated",
    )
    for stage in ("cure", "press"):
        frame[f"{stage}_batch"] = _set_afresh(frame, stage, set_ups)
    if each == 1:
        return frame
    times = np.where(frame["role"] == SETPOINT, each, 1)
    whole = frame.loc[frame.index.repeat(times)].reset_index(drop=True)
    for order in ("cure_order", "press_order"):
        whole[order] = whole[order].rank(method="first").astype(int)
    width = max(2, len(str(len(whole))))
    whole["coupon"] = [f"R{number}-{i:0{width}d}" for i in whole["cure_order"]]
    return whole.sort_values("cure_order", ignore_index=True)


def _set_afresh(frame: pd.DataFrame, stage: str, set_ups: int) -> pd.Series:
    """Batch of each coupon, large batches at the setpoint divided until there are enough of them."""
    ordered = frame.sort_values(f"{stage}_order")
    batch, here = ordered[f"{stage}_batch"], ordered["role"] == SETPOINT
    sizes = here.groupby(batch).sum()
    parts = dict.fromkeys(sizes.index, 1)
    wanted = min(set_ups, int(here.sum()) // LEAST_IN_BATCH)
    while sum(n for b, n in parts.items() if sizes[b]) < wanted:
        largest = max(parts, key=lambda b: sizes[b] / parts[b])
        parts[largest] += 1
    place = batch.groupby(batch).cumcount()
    part = place * batch.map(parts) // batch.groupby(batch).transform("size")
    changed = (batch != batch.shift()) | (part != part.shift())
    return changed.cumsum().reindex(frame.index).astype(int)
