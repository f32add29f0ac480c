"""Coupons of a comparison: both materials in one press stroke, at the setpoint and at the edges of the window."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from doe.assure.confirmation.allocation import SETPOINT
from doe.domain.coding import round_settings
from doe.domain.errors import InputError, check_seed
from doe.domain.masks import is_forbidden
from doe.domain.recipe import Recipe
from doe.domain.stack import Line
from doe.domain.study import Study
from doe.domain.units import show_both
from doe.plans.order import order_round
from doe.surfaces.scaling import heats

COOL, HOT = "cool edge", "hot edge"
"""The window's corner with the least heat, and the one with the most."""

NEW_MATERIAL, IN_USE = "new", "incumbent"
"""Values of the column ``material``."""

MOST_STROKES = 200


def recipe_points(recipe: Recipe, study: Study) -> pd.DataFrame:
    """The setpoint of a recipe and the two edges of its window.

    Parameters
    ----------
    recipe : Recipe
        Its settings name every factor of the study.
    study : Study
        The ranges inside which coupons may be made.

    Returns
    -------
    DataFrame
        One row a point: role (``setpoint``, ``cool edge``, ``hot edge``) and the factors, rounded to machine settings.
        At an edge every temperature and time lies at that end of the window, whatever else is varied stays at the
        setpoint. An edge that equals the setpoint, or that is forbidden, is left out.

    Raises
    ------
    InputError
        If a factor has no setting in the recipe, or the setpoint lies outside a range or is forbidden.
    """
    heat = dict(zip((f.name for f in study.numeric), heats(study.numeric), strict=True))
    columns: dict[str, object] = {"role": [SETPOINT, COOL, HOT]}
    for f in study.factors:
        s = recipe.setting(f.name)
        if f.is_categorical:
            columns[f.name] = str(s.surface)
            continue
        at = float(s.surface)
        if not f.low - 1e-9 <= at <= f.high + 1e-9:
            raise InputError(
                f"setpoint of {recipe.name}, {f.label}",
                show_both(at, f.unit),
                f"{show_both(f.low, f.unit)} to {show_both(f.high, f.unit)}",
                "The recipe cannot be made on this stack: start a study of its own for it.",
            )
        low, high = (at if end is None or not heat[f.name] else end for end in (s.window_low, s.window_high))
        cool, hot = (high, low) if heat[f.name] < 0 else (low, high)  # a faster belt heats less
        columns[f.name] = round_settings(f, np.clip([at, cool, hot], f.low, f.high))
    points = pd.DataFrame(columns)
    settings = points[list(study.factor_names)]
    forbidden = is_forbidden(study.forbidden, settings)
    if forbidden[0]:
        raise InputError(
            f"setpoint of {recipe.name}",
            "a forbidden combination",
            "settings that may be made",
            "Look at the forbidden combinations of its study.",
        )
    kept: pd.DataFrame = points[~forbidden & ~settings.duplicated().to_numpy()].reset_index(drop=True)
    return kept


def comparison_coupons(
    study: Study,
    points: pd.DataFrame,
    *,
    strokes: int,
    edge_strokes: int,
    line: Line,
    seed: int,
    own_garments: bool,
    number: int = 1,
    set_once: bool = False,
) -> pd.DataFrame:
    """Coupons of one round of a comparison in the order in which they are made.

    Every pair is one coupon of the new material and one of the material in use at the same settings, cured next to each
    other in one batch and pressed in one stroke where two fit under the platen, else one right after the other. Which
    of them comes first changes at random, half of the pairs each way. The round begins and ends at the setpoint, so
    that it is set twice and a drift shows, unless ``set_once``.

    Parameters
    ----------
    study : Study
    points : DataFrame
        As `recipe_points` gives; only the roles named here are made.
    strokes, edge_strokes : int
        Pairs at the setpoint, and at each edge.
    line : Line
    seed : int
    own_garments : bool
        Whether the materials are pressed on garments of their own (another fabric) or share them.
    number : int
        Of the round.
    set_once : bool
        Whether both machines stay as they were set, for a round at the setpoint alone: pairs are pressed in the order
        in which they were cured, and the oven takes as many of them at a time as a film sheet has room for
        (`doe.plans.timing.cure_loads`).

    Returns
    -------
    DataFrame
        Columns of a plan, then ``pair`` and ``material`` (``new`` or ``incumbent``); batches, strokes and pairs are
        numbered from 1.

    Raises
    ------
    InputError
        If nothing is to be made, or more than a day can hold.
    """
    check_seed(seed)
    times = np.where(points["role"] == SETPOINT, strokes, edge_strokes)
    pairs = int(times.sum())
    if min(strokes, edge_strokes) < 0 or not 1 <= pairs <= MOST_STROKES:
        raise InputError(
            "strokes",
            f"{strokes} at the setpoint, {edge_strokes} at each edge",
            f"0 or more, 1 to {MOST_STROKES} in all",
            "Say how many can be made.",
        )
    rng = np.random.default_rng([seed, number])
    made = points.loc[points.index.repeat(times)].reset_index(drop=True)
    here = np.flatnonzero(made["role"] == SETPOINT)
    ends = (int(here[0]), int(here[-1])) if len(here) > 1 else None
    settings = made[list(study.factor_names)]
    share = max(1, study.per_garment if own_garments else study.per_garment // 2)
    halves = replace(study, coupons_per_garment=share)
    queue = order_round(halves, settings, replace(line, coupons_per_stroke=1), rng, ends=ends)
    if set_once:
        queue = queue.assign(cure_batch=1, press_batch=1, cure_order=queue["press_order"])
    frame = pd.concat([made, queue], axis=1)
    frame["round"], frame["pair"] = number, frame["press_order"]
    new_first = {stage: _half(pairs, rng) for stage in ("cure", "press")}
    both = []
    for material, is_new in ((NEW_MATERIAL, True), (IN_USE, False)):
        half = frame.copy()
        half["material"] = material
        for stage, first in new_first.items():
            half[f"{stage}_order"] = 2 * frame[f"{stage}_order"] - (first == is_new)
        if own_garments and not is_new:
            half["garment"] += int(frame["garment"].max())
        if line.coupons_per_stroke < 2:
            half["stroke"] = half["press_order"]
        both.append(half)
    coupons = pd.concat(both, ignore_index=True).sort_values("cure_order", ignore_index=True)
    width = max(2, len(str(len(coupons))))
    coupons["coupon"] = [f"R{number}-{i:0{width}d}" for i in coupons["cure_order"]]
    last = ["round", "cure_batch", "press_batch", "cure_order", "press_order", "garment", "stroke", "role"]
    return coupons[["coupon", *study.factor_names, *last, "pair", "material"]]


def _half(pairs: int, rng: np.random.Generator) -> np.ndarray:
    """True for half of the pairs (one more or fewer when odd), in random places."""
    return np.asarray(rng.permutation(np.arange(pairs) + rng.integers(2)) % 2 == 0)
