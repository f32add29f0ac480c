"""Finding the setpoint: the setting whose robust pass rate is surest to be high."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import qmc

from doe.domain.coding import FloatArray, round_settings
from doe.domain.errors import InputError
from doe.domain.factors import EVERY_LEVEL
from doe.domain.limits import CEILING_DEGC
from doe.domain.masks import is_forbidden
from doe.domain.study import Study
from doe.setpoint.box import box_points, least_box
from doe.setpoint.robust import RobustRate, at_levels
from doe.surfaces.contract import SurfaceDraws
from doe.surfaces.fitted import Surfaces
from doe.surfaces.outcomes import expit

SPREAD_POINTS = 512
"""Points spread over the tested region for the first look."""

FIRST_DRAWS = 200
"""Draws of the first look; what any setting reaches is counted on them."""

EXACT_NODES = 256
"""Points that stand for the setting error where the best of each draw is looked at again."""

FINALISTS = 16
"""Settings that go from one look to the next."""

SHARP = 0.2
"""Width over which a robust rate counts as reaching the target or not, as a share of what the target lets be lost.

A draw just short of the target counts nearly half, so that a handful of draws does not decide between two settings."""

TIE_BREAK = 0.1
"""Weight of the expected rate beside the chance of the target: where hardly a draw reaches it, the better rate wins."""

_ROUGH = 0.02  # a rate counted with few points and draws may be off by so much

AS_GOOD = 0.02
"""Merits this close are as good as equal: the draws cannot tell the settings apart, and the one with more room wins."""


@dataclass(frozen=True)
class Found:
    """Where the search ended.

    Attributes
    ----------
    setpoint : DataFrame, one row
    rates : array, shape (draws,)
        Robust pass rate of the whole spec there, for every draw.
    best : array, shape (thinned draws,)
        Highest robust pass rate of each draw anywhere in the tested region.
    best_at : DataFrame, one row a thinned draw
        Where that is.
    """

    setpoint: pd.DataFrame
    rates: FloatArray
    best: FloatArray
    best_at: pd.DataFrame


def is_ruled_out(study: Study, frame: pd.DataFrame) -> NDArray[np.bool_]:
    """Which settings are a forbidden combination, on one level at least where they have to hold on every one."""
    found = np.zeros(len(frame), dtype=bool)
    for levels in product(*(f.levels for f in study.endured)):
        found |= is_forbidden(study.forbidden, at_levels(frame, study.endured, levels))
    return found


def allowed(study: Study, frame: pd.DataFrame) -> NDArray[np.bool_]:
    """Which settings may be proposed: inside the tested range, the limits, and no forbidden combination."""
    keep = ~is_ruled_out(study, frame)
    for f in study.numeric:
        values = frame[f.name].to_numpy(dtype=float)
        low, high = study.limits.bounds(f.name, f.heated_mm) if study.limits else (None, None)
        keep &= (values >= max(f.low, -np.inf if low is None else low) - 1e-9) & (
            values <= min(f.high, np.inf if high is None else high) + 1e-9
        )
        if f.is_temperature:
            keep &= values < CEILING_DEGC
    return keep


def settings_frame(study: Study, surfaces: Surfaces, z: FloatArray, combination: NDArray[np.intp]) -> pd.DataFrame:
    """Machine settings nearest to model coordinates, levels filled in, repeated rows and forbidden ones dropped."""
    natural = surfaces.scaling.natural(np.clip(z, -1, 1))
    levels = surfaces.scaling.combinations()
    frame = pd.DataFrame({f.name: round_settings(f, natural[:, j]) for j, f in enumerate(surfaces.scaling.numeric)})
    for f in study.categorical:
        frame[f.name] = [EVERY_LEVEL if f.endured else levels[c][f.name] for c in combination]
    frame = frame[list(study.factor_names)].drop_duplicates(ignore_index=True)
    return frame[allowed(study, frame)].reset_index(drop=True)


def merit(study: Study, rates: FloatArray) -> FloatArray:
    """What the search makes as large as it can: the chance that a setting truly reaches the wanted rate, (settings,).

    ``rates`` are the draws' robust rates, (draws, settings).
    """
    target = study.spec.pass_rate
    width = SHARP * max(1 - target, 0.001)
    return np.asarray(expit((rates - target) / width).mean(axis=0) + TIE_BREAK * rates.mean(axis=0))


def find_setpoint(rate: RobustRate, *, rng: np.random.Generator) -> Found:
    """The setting whose robust pass rate most surely reaches the wanted one (`merit`).

    A spread of points is looked at with few draws, the neighbourhoods of the best with more, the last few with all.
    Among settings as good within noise the one with the most room wins: the highest least expected rate one setting
    error to either side of each factor, of those with a machine step to each side of everything if there are any.

    Raises
    ------
    InputError
        If the forbidden combinations and limits leave no setting at all.
    """
    study, surfaces = rate.study, rate.surfaces
    first = first_look(rate, rng=rng)
    some = surfaces.draws.thin(400)
    inner = _off_the_ends(study, first.points)
    top = _best(first.points[inner], first.merit[inner])
    for reach, count in ((0.25, 160), (0.10, 120)):
        near = _near(study, surfaces, top, reach, count, rng)
        near = near[_off_the_ends(study, near)]
        top = _best(near, merit(study, rate.draws(near, nodes=16, draws=some)))
    rates = rate.draws(top, nodes=64)
    score = merit(study, rates)
    good = np.flatnonzero(score >= score.max() - AS_GOOD)
    room = np.array([_beside(rate, top.iloc[i : i + 1], some) for i in good])
    by_room = good[np.argsort(-room, kind="stable")]
    able = by_room[rates[:, by_room].mean(axis=0) >= study.spec.pass_rate]
    roomy = (i for i in able if _holds_around(rate, top.iloc[i : i + 1], some))
    chosen = int(next(roomy, by_room[0]))
    return Found(top.iloc[[chosen]].reset_index(drop=True), rates[:, chosen], first.best, first.best_at)


def _off_the_ends(study: Study, points: pd.DataFrame) -> NDArray[np.bool_]:
    """Settings with a machine step to each end of their ranges and limits, where a window may start; all if none."""
    inner = np.ones(len(points), dtype=bool)
    for f in study.numeric:
        values = points[f.name].to_numpy(dtype=float)
        least, most = study.limits.bounds(f.name, f.heated_mm) if study.limits else (None, None)
        low, high = max(f.low, -np.inf if least is None else least), min(f.high, np.inf if most is None else most)
        step = f.step or 0.0
        inner &= (values >= low + step - 1e-9) & (values <= high - step + 1e-9)
    return inner if inner.any() else ~inner


def _best(points: pd.DataFrame, merits: FloatArray) -> pd.DataFrame:
    return points.iloc[np.argsort(-merits, kind="stable")[:FINALISTS]].reset_index(drop=True)


def _holds_around(rate: RobustRate, point: pd.DataFrame, draws: SurfaceDraws) -> bool:
    """Whether the target is expected to hold, and nothing is forbidden, a machine step to each side of everything."""
    box = least_box(rate.study, point)
    if box is None:
        return False
    points = box_points(rate.study, point, box, np.empty((0, len(box))))
    if not allowed(rate.study, points).all():
        return False
    quick = float(rate.draws(points, nodes=16, draws=draws).mean(axis=0).min()) - rate.study.spec.pass_rate
    if abs(quick) > _ROUGH:
        return quick > 0
    return bool(rate.draws(points, nodes=64).mean(axis=0).min() >= rate.study.spec.pass_rate)


def _beside(rate: RobustRate, point: pd.DataFrame, draws: SurfaceDraws) -> float:
    """Least expected rate one setting error to either side of each factor, the point itself included."""
    numeric = [f for f in rate.study.numeric if f.setting_sd]
    around = pd.concat([point] * (1 + 2 * len(numeric)), ignore_index=True)
    for j, f in enumerate(numeric):
        # a machine set beyond the tested range is not what is asked here
        for row, sign in ((1 + 2 * j, -1), (2 + 2 * j, 1)):
            value = float(around[f.name].iloc[row]) + sign * f.setting_sd
            around.loc[row, f.name] = min(max(value, f.low), f.high)
    return float(rate.draws(around, nodes=16, draws=draws).mean(axis=0).min())


@dataclass(frozen=True)
class FirstLook:
    """Settings spread over the tested region.

    Attributes
    ----------
    points : DataFrame
        Permitted machine settings.
    merit : array, shape (points,)
    best, best_at
        As in `Found`.
    """

    points: pd.DataFrame
    merit: FloatArray
    best: FloatArray
    best_at: pd.DataFrame


def first_look(rate: RobustRate, *, rng: np.random.Generator) -> FirstLook:
    """Settings spread over the tested region, how good each is, and the best of each thinned draw.

    All are compared with few points for the setting error; the best of the draws are then looked at with many, as the
    highest of several hundred rough rates is too high.

    Raises
    ------
    InputError
        If the forbidden combinations and limits leave no setting at all.
    """
    points = _first_points(rate.study, rate.surfaces, rng)
    if points.empty:
        raise InputError(
            "forbidden combinations", "nothing left", "at least one permitted setting", "Relax one of them."
        )
    draws = rate.surfaces.draws.thin(FIRST_DRAWS)
    rough = rate.draws(points, nodes=16, draws=draws)
    leading = np.unique(rough.argmax(axis=1))
    exact = rate.draws(points.iloc[leading], nodes=EXACT_NODES, draws=draws)
    at = leading[exact.argmax(axis=1)]
    return FirstLook(points, merit(rate.study, rough), exact.max(axis=1), points.iloc[at].reset_index(drop=True))


def _first_points(study: Study, surfaces: Surfaces, rng: np.random.Generator) -> pd.DataFrame:
    k, combinations = len(surfaces.scaling.numeric), len(surfaces.scaling.combinations())
    sobol = qmc.Sobol(k, scramble=True, rng=rng)
    spread = (2 * sobol.random(SPREAD_POINTS) - 1)[:, surfaces.scaling.rank]
    tried = np.clip(surfaces.scaling.z(surfaces.results.settings), -1, 1)
    peaks = surfaces.draws.thin(96).peak
    z = [np.concatenate([spread, np.clip(peaks[c], -1, 1), tried]) for c in range(combinations)]
    every = np.repeat(np.arange(combinations), len(z[0]))
    return settings_frame(study, surfaces, np.concatenate(z), every)


def _near(
    study: Study, surfaces: Surfaces, top: pd.DataFrame, reach: float, count: int, rng: np.random.Generator
) -> pd.DataFrame:
    z, combination = surfaces.scaling.z(top), surfaces.scaling.combination(top)
    pick = rng.integers(0, len(z), count)
    moved = z[pick] + reach * rng.standard_normal((count, z.shape[1]))[:, surfaces.scaling.rank]
    return settings_frame(study, surfaces, np.concatenate([z, moved]), np.concatenate([combination, combination[pick]]))
