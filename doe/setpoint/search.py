"""Finding the setpoint: the setting whose robust pass rate is surest to be high."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import qmc

from doe.domain.coding import FloatArray, round_settings
from doe.domain.errors import InputError
from doe.domain.limits import CEILING_DEGC
from doe.domain.masks import is_forbidden
from doe.domain.study import Study
from doe.setpoint.robust import RobustRate
from doe.surfaces.fitted import Surfaces

SPREAD_POINTS = 512
"""Points spread over the tested region for the first look."""

FIRST_DRAWS = 200
"""Draws of the first look; what any setting reaches is counted on them."""

AS_GOOD = 0.005
"""Robust pass rates this close are as good as equal: the draws cannot tell them apart."""


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


def allowed(study: Study, frame: pd.DataFrame) -> NDArray[np.bool_]:
    """Which settings may be proposed: inside the tested range, the limits, and no forbidden combination."""
    keep = ~is_forbidden(study.forbidden, frame)
    for f in study.numeric:
        values = frame[f.name].to_numpy(dtype=float)
        low, high = study.limits.bounds(f.name) if study.limits else (None, None)
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
        frame[f.name] = [levels[c][f.name] for c in combination]
    frame = frame[list(study.factor_names)].drop_duplicates(ignore_index=True)
    return frame[allowed(study, frame)].reset_index(drop=True)


def find_setpoint(rate: RobustRate, *, rng: np.random.Generator) -> Found:
    """Maximise the lower quantile (1 - assurance) of the robust pass rate over the tested region.

    A spread of points is looked at with few draws, the neighbourhoods of the best with more, the last few with all.
    Among settings as good within noise, the one with the higher expected rate, then the one that takes less time, wins.

    Raises
    ------
    InputError
        If the forbidden combinations and limits leave no setting at all.
    """
    study, surfaces = rate.study, rate.surfaces
    points, first = first_look(rate, rng=rng)
    some = surfaces.draws.thin(400)
    low = 1 - study.spec.assurance
    merit = np.quantile(first, low, axis=0)
    best, best_at = first.max(axis=1), points.iloc[first.argmax(axis=1)].reset_index(drop=True)
    top = points.iloc[np.argsort(-merit)[:16]].reset_index(drop=True)
    for reach, count in ((0.25, 160), (0.10, 120)):
        near = _near(study, surfaces, top, reach, count, rng)
        merit = np.quantile(rate.draws(near, nodes=16, draws=some), low, axis=0)
        top = near.iloc[np.argsort(-merit)[:16]].reset_index(drop=True)
    rates = rate.draws(top, nodes=64)
    chosen = _choose(study, top, np.quantile(rates, low, axis=0), rates.mean(axis=0))
    return Found(top.iloc[[chosen]].reset_index(drop=True), rates[:, chosen], best, best_at)


def first_look(rate: RobustRate, *, rng: np.random.Generator) -> tuple[pd.DataFrame, FloatArray]:
    """Settings spread over the tested region, and their robust pass rates, shape (thinned draws, settings).

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
    return points, rate.draws(points, nodes=16, draws=rate.surfaces.draws.thin(FIRST_DRAWS))


def _first_points(study: Study, surfaces: Surfaces, rng: np.random.Generator) -> pd.DataFrame:
    k, combinations = len(surfaces.scaling.numeric), len(surfaces.scaling.combinations())
    sobol = qmc.Sobol(k, scramble=True, rng=rng)
    spread = 2 * sobol.random(SPREAD_POINTS) - 1
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
    moved = z[pick] + reach * rng.standard_normal((count, z.shape[1]))
    return settings_frame(study, surfaces, np.concatenate([z, moved]), np.concatenate([combination, combination[pick]]))


def _choose(study: Study, points: pd.DataFrame, low: FloatArray, expected: FloatArray) -> int:
    good = low >= low.max() - AS_GOOD
    good &= expected >= expected[good].max() - AS_GOOD / 2
    seconds = [points[f.name].to_numpy(dtype=float) for f in study.numeric if f.unit == "s"]
    cost = np.sum(seconds, axis=0) if seconds else np.zeros(len(points))
    rows = np.flatnonzero(good)
    return int(rows[np.lexsort((-low[rows], cost[rows]))[0]])
