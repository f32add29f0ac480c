"""Model columns of a plan, and the region over which predictions are averaged."""

from __future__ import annotations

import itertools
from functools import lru_cache
from typing import Literal, get_args

import numpy as np
from scipy.stats import qmc

from doe.domain.factors import Factor
from doe.domain.space import Forbidden
from doe.domain.study import Study
from doe.plans.points import FloatArray, IntArray, cross, forbidden_points, grid, level_combinations

Model = Literal["main", "interactions", "quadratic"]

MODELS: tuple[Model, ...] = get_args(Model)
"""From the poorest to the richest."""


def term_names(study: Study, model: Model) -> tuple[tuple[str, ...], ...]:
    """Factors in each column of `expand`: () for the mean, (a,), (a, b), (a, a).

    A categorical factor of L levels has L - 1 columns wherever it stands.
    """
    numeric = [f.name for f in study.numeric]
    named = [f.name for f in study.categorical for _ in f.levels[1:]]
    names: list[tuple[str, ...]] = [(), *((n,) for n in numeric), *((n,) for n in named)]
    if model != "main":
        names += list(itertools.combinations(numeric, 2))
        names += [(n, c) for n in numeric for c in named]
    if model == "quadratic":
        names += [(n, n) for n in numeric]
    return tuple(names)


def expand(study: Study, coded: FloatArray, levels: IntArray, model: Model) -> FloatArray:
    """Model matrix: mean, main effects, then two-factor interactions, then squares; shape (points, terms).

    Named factors are coded so that their columns sum to zero over the levels. Their interactions are with the
    straight-line part of the numeric factors only.
    """
    n, k = coded.shape
    named = [_sum_coded(levels[:, j], len(f.levels)) for j, f in enumerate(study.categorical)]
    dummies = np.hstack(named) if named else np.empty((n, 0))
    parts = [np.ones((n, 1)), coded, dummies]
    if model != "main":
        i, j = np.triu_indices(k, 1)
        parts += [coded[:, i] * coded[:, j], (coded[:, :, None] * dummies[:, None, :]).reshape(n, k * dummies.shape[1])]
    if model == "quadratic":
        parts.append(coded**2)
    return np.hstack(parts)


def _sum_coded(level: IntArray, count: int) -> FloatArray:
    table = np.vstack([np.eye(count - 1), -np.ones(count - 1)])
    return np.asarray(table[level])


def region(study: Study) -> tuple[FloatArray, IntArray, FloatArray]:
    """Points and weights that stand for the region; see `_region`."""
    return _region(study.factors, study.forbidden)


@lru_cache(maxsize=16)
def _region(factors: tuple[Factor, ...], forbidden: tuple[Forbidden, ...]) -> tuple[FloatArray, IntArray, FloatArray]:
    """Points and weights that stand for the region: coded (points, k), levels (points, named), weights summing to 1.

    Without forbidden combinations three Gauss-Legendre points an axis integrate the square of a quadratic exactly;
    with them, a low-discrepancy sample of the allowed part is used.
    """
    study = Study("region", factors, forbidden=forbidden)
    k, combinations = len(study.numeric), level_combinations(study)
    if not study.forbidden:
        nodes, node_weights = np.polynomial.legendre.leggauss(3)
        coded = np.array(list(itertools.product(nodes, repeat=k)))
        weight = np.array([np.prod(w) for w in itertools.product(node_weights / 2, repeat=k)])
        points = cross(coded, np.full(len(coded), ""), combinations)
        return points.coded, points.levels, np.tile(weight, len(combinations)) / len(combinations)
    coded = 2 * _sobol(k, 11) - 1
    points = cross(coded, np.full(len(coded), ""), combinations)
    points = points.take(~forbidden_points(study, points.coded, points.levels))
    return points.coded, points.levels, np.full(len(points), 1 / max(len(points), 1))


@lru_cache(maxsize=8)
def _sobol(k: int, log2_points: int) -> FloatArray:
    # a fixed sample: the region does not depend on the seed of the plan
    sampler = qmc.Sobol(k, scramble=True, rng=np.random.default_rng(20))
    return np.asarray(sampler.random_base2(log2_points))


def region_moments(study: Study, model: Model) -> FloatArray:
    """Average of x x' over the region, x expanded to the model; shape (terms, terms)."""
    coded, levels, weight = region(study)
    F = expand(study, coded, levels, model)
    return np.asarray(F.T @ (weight[:, None] * F))


def where_to_look(study: Study) -> tuple[FloatArray, IntArray]:
    """Points at which the largest prediction variance is sought: a grid with the corners, and the region's own."""
    corners = grid(study, 3, 3)
    coded, levels, _ = region(study)
    return np.vstack([corners.coded, coded]), np.vstack([corners.levels, levels])
