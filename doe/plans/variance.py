"""Prediction variance, leverage and efficiency of a set of coupons."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, get_args

import numpy as np
import pandas as pd
from scipy.stats import qmc

from doe.domain.factors import Factor
from doe.domain.space import Forbidden
from doe.domain.study import Study
from doe.plans.points import FloatArray, IntArray, coded_of, cross, forbidden_points, grid, level_combinations

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
    return table[level]


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
    # a fixed sample: the region does not depend on the seed of the plan
    coded = 2 * qmc.Sobol(k, scramble=True, rng=np.random.default_rng(20)).random_base2(11) - 1
    points = cross(coded, np.full(len(coded), ""), combinations)
    points = points.take(~forbidden_points(study, points.coded, points.levels))
    return points.coded, points.levels, np.full(len(points), 1 / max(len(points), 1))


def region_moments(study: Study, model: Model) -> FloatArray:
    """Average of x x' over the region, x expanded to the model; shape (terms, terms)."""
    coded, levels, weight = region(study)
    F = expand(study, coded, levels, model)
    return F.T @ (weight[:, None] * F)


def where_to_look(study: Study) -> tuple[FloatArray, IntArray]:
    """Points at which the largest prediction variance is sought: a grid with the corners, and the region's own."""
    corners = grid(study, 3, 3)
    coded, levels, _ = region(study)
    return np.vstack([corners.coded, coded]), np.vstack([corners.levels, levels])


@dataclass(frozen=True)
class Precision:
    """How well one model is estimated from the coupons of a plan.

    Attributes
    ----------
    model : {"main", "interactions", "quadratic"}
    terms, rank : int
        Columns of the model (rounds beside), and how many of them the coupons can tell apart.
    scaled_max, scaled_average : float
        Coupons times prediction variance over residual variance: the largest, and the average over the region.
    variance_average : float
        Average prediction variance over residual variance.
    d_value : float
        det(X'X)^(1/terms) / coupons, in coded units: 1 for a two-level factorial of first order.
    d_efficiency, i_efficiency : float
        Against the best continuous design on the same region: 1 cannot be beaten by any plan of any size.
    leverage : float array, shape (coupons,)
        Share of each coupon in its own fitted value.
    """

    model: Model
    terms: int
    rank: int
    scaled_max: float
    scaled_average: float
    variance_average: float
    d_value: float
    d_efficiency: float
    i_efficiency: float
    leverage: FloatArray


def design_matrix(study: Study, coupons: pd.DataFrame, model: Model) -> FloatArray:
    """Model matrix of the coupons, then a column a further round (coded to sum to zero over the rounds)."""
    coded, levels = coded_of(study, coupons)
    X = expand(study, coded, levels, model)
    rounds = np.unique(coupons["round"]) if "round" in coupons else np.array([1])
    if len(rounds) == 1:
        return X
    own = (coupons["round"].to_numpy()[:, None] == rounds[None, :]).astype(float)
    return np.hstack([X, own[:, 1:] - own[:, :1]])


def rank_of(X: FloatArray) -> int:
    """Number of independent columns."""
    return int(np.linalg.matrix_rank(X, tol=1e-7 * max(X.shape)))


def precision(study: Study, coupons: pd.DataFrame, model: Model) -> Precision:
    """How well a model is estimated; variances are ``inf`` and efficiencies 0 where it cannot be.

    Parameters
    ----------
    study : Study
    coupons : DataFrame
        Every factor; ``round`` where there are several.
    model : {"main", "interactions", "quadratic"}

    Notes
    -----
    Coupons count as independent here; batches are allowed for in the smallest effect.
    """
    X = design_matrix(study, coupons, model)
    n, p = len(X), len(term_names(study, model))
    extra = X.shape[1] - p
    rank = rank_of(X)
    if rank < X.shape[1]:
        hat = X @ np.linalg.pinv(X)
        inf = float("inf")
        return Precision(model, p, rank - extra, inf, inf, inf, 0.0, 0.0, 0.0, np.diag(hat).copy())
    inverse = np.linalg.inv(X.T @ X)
    coded, levels = where_to_look(study)
    F = expand(study, coded, levels, model)
    largest = float(np.einsum("ip,pq,iq->i", F, inverse[:p, :p], F, optimize=True).max())
    average = float(np.trace(inverse[:p, :p] @ region_moments(study, model)))
    # the rounds are no part of the question: their columns are taken out before the determinant
    log_det = float(-np.linalg.slogdet(inverse[:p, :p])[1])
    d_value = float(np.exp(log_det / p) / n)
    best_d, best_i = best_continuous(study, model)
    return Precision(
        model,
        p,
        p,
        n * largest,
        n * average,
        average,
        d_value,
        d_value / best_d,
        best_i / (n * average),
        np.einsum("ip,pq,iq->i", X, inverse, X, optimize=True),
    )


def best_continuous(study: Study, model: Model) -> tuple[float, float]:
    """Largest det(M)^(1/p) and smallest average variance of any continuous design on the region's grid."""
    return _best_on(study.factors, study.forbidden, model)


@lru_cache(maxsize=64)
def _best_on(factors: tuple[Factor, ...], forbidden: tuple[Forbidden, ...], model: Model) -> tuple[float, float]:
    region = Study("region", factors, forbidden=forbidden)
    # without forbidden combinations the optimum of a quadratic lies on three levels
    points = grid(region, 5, 5, largest=4000) if forbidden else grid(region, 3, 3)
    return _best(expand(region, points.coded, points.levels, model), region_moments(region, model))


def _best(F: FloatArray, moments: FloatArray) -> tuple[float, float]:
    weights = continuous_optimum(F)
    M = F.T @ (weights[:, None] * F)
    best_d = float(np.exp(np.linalg.slogdet(M)[1] / F.shape[1]))
    weights = continuous_optimum(F, moments)
    M = F.T @ (weights[:, None] * F)
    return best_d, float(np.trace(np.linalg.solve(M, moments)))


def continuous_optimum(F: FloatArray, moments: FloatArray | None = None, *, steps: int = 400) -> FloatArray:
    """Weights of the continuous optimum over candidate rows: D without moments, I with them; shape (candidates,).

    Multiplicative algorithm (S. D. Silvey, D. M. Titterington and B. Torsney 1978, Communications in Statistics A7,
    1379-1389); each step brings the criterion nearer, and what is left after 400 steps is below 1 %.
    """
    n, p = F.shape
    w = np.full(n, 1 / n)
    for _ in range(steps):
        inverse = np.linalg.inv(F.T @ (w[:, None] * F))
        if moments is None:
            step = np.einsum("ip,pq,iq->i", F, inverse, F, optimize=True) / p
        else:
            inner = inverse @ moments @ inverse
            step = np.sqrt(np.einsum("ip,pq,iq->i", F, inner, F, optimize=True) / np.trace(inverse @ moments))
        w = w * step
        w /= w.sum()
    return w
