"""Points of a plan in coded form, and the settings a machine can be given for them."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.coding import code_frame, decode_frame
from doe.domain.masks import is_forbidden
from doe.domain.study import Study

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Points:
    """Coded points.

    Attributes
    ----------
    coded : float array, shape (points, numeric factors)
        -1 at the low end of a range, +1 at the high end.
    levels : int array, shape (points, categorical factors)
        Index into the factor's levels.
    roles : array of str, shape (points,)
    """

    coded: FloatArray
    levels: IntArray
    roles: NDArray[np.str_]

    def __len__(self) -> int:
        return len(self.coded)

    def take(self, rows: Sequence[int] | IntArray | BoolArray) -> Points:
        """The points of these rows."""
        return Points(self.coded[rows], self.levels[rows], self.roles[rows])


def stack_points(parts: Sequence[Points]) -> Points:
    """Points of several sets, one after the other."""
    return Points(
        np.vstack([p.coded for p in parts]),
        np.vstack([p.levels for p in parts]),
        np.concatenate([p.roles for p in parts]),
    )


def settings_of(study: Study, coded: FloatArray, levels: IntArray) -> pd.DataFrame:
    """Settings a machine can be given, one row a point, the factors in their order.

    Rounding keeps every value inside the range of its factor.
    """
    numeric = decode_frame(study.factors, coded)
    named = {f.name: np.array(f.levels, dtype=object)[levels[:, j]] for j, f in enumerate(study.categorical)}
    return pd.DataFrame({f.name: named[f.name] if f.is_categorical else numeric[f.name] for f in study.factors})


def coded_of(study: Study, settings: pd.DataFrame) -> tuple[FloatArray, IntArray]:
    """Coded numeric columns and level numbers of a settings frame; the reverse of `settings_of`."""
    coded = code_frame(study.factors, settings)
    levels = np.empty((len(settings), len(study.categorical)), dtype=int)
    for j, f in enumerate(study.categorical):
        place = {level: i for i, level in enumerate(f.levels)}
        levels[:, j] = [place[str(value)] for value in settings[f.name]]
    return coded, levels


def forbidden_points(study: Study, coded: FloatArray, levels: IntArray) -> BoolArray:
    """Points whose rounded settings fall in a forbidden combination, shape (points,)."""
    if not study.forbidden:
        return np.zeros(len(coded), dtype=bool)
    return is_forbidden(study.forbidden, settings_of(study, coded, levels))


def level_combinations(study: Study) -> IntArray:
    """Every combination of the categorical levels, shape (combinations, categorical factors); one row if none."""
    ranges = [range(len(f.levels)) for f in study.categorical]
    combinations = list(itertools.product(*ranges))
    return np.array(combinations, dtype=int).reshape(len(combinations), len(ranges))


def cross(coded: FloatArray, roles: NDArray[np.str_], combinations: IntArray) -> Points:
    """Every numeric point with every combination of levels."""
    n, m = len(coded), len(combinations)
    return Points(np.tile(coded, (m, 1)), np.repeat(combinations, n, axis=0), np.tile(roles, m))


def roles_of(coded: FloatArray) -> NDArray[np.str_]:
    """Corner, face, edge, centre or chosen, by where a coded point lies, shape (points,)."""
    at_end = np.isclose(np.abs(coded), 1)
    at_mid = np.isclose(coded, 0)
    ends = at_end.sum(axis=1)
    on_grid = (at_end | at_mid).all(axis=1)
    choices = [ends == 0, ends == coded.shape[1], ends == 1]
    roles = np.select(choices, ["centre", "corner", "face"], default="edge")
    return np.where(on_grid, roles, "chosen").astype(str)


def grid(study: Study, hard_levels: int = 3, easy_levels: int = 5, *, largest: int = 2500) -> Points:
    """Candidate points: every combination of evenly spaced coded levels that is allowed.

    Parameters
    ----------
    study : Study
    hard_levels, easy_levels : int
        Levels of hard-to-change and of other numeric factors. A hard-to-change factor gets few, since every
        level is another batch.
    largest : int
        The easy factors fall back to three levels when the grid would be larger than this.
    """
    combinations = level_combinations(study)
    counts = [hard_levels if f.hard_to_change else easy_levels for f in study.numeric]
    if np.prod(counts) * len(combinations) > largest:
        counts = [3] * len(counts)
    axes = [np.linspace(-1, 1, n) for n in counts]
    coded = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(axes))
    points = cross(coded, np.full(len(coded), "chosen"), combinations)
    return points.take(~forbidden_points(study, points.coded, points.levels))


def centre_points(study: Study, coupons: int) -> Points:
    """Centre coupons; the first two at one combination of levels, so that their difference is drift alone.

    With categorical factors the others go round the combinations. Where the exact centre is forbidden, the nearest
    allowed point of a fine grid stands in for it.
    """
    combinations = level_combinations(study)
    levels = combinations[np.maximum(np.arange(coupons) - 1, 0) % len(combinations)]
    coded = np.zeros((coupons, len(study.numeric)))
    bad = forbidden_points(study, coded, levels)
    if bad.any():
        fine = grid(study, 5, 5, largest=20_000)
        for i in np.flatnonzero(bad):
            same = (fine.levels == levels[i]).all(axis=1)
            # a combination of levels may be forbidden altogether: then any allowed one has to do
            pool = fine.take(same) if same.any() else fine
            if not len(pool):
                break
            nearest = int(np.argmin((pool.coded**2).sum(axis=1)))
            coded[i], levels[i] = pool.coded[nearest], pool.levels[nearest]
    return Points(coded, levels, np.full(coupons, "centre"))
