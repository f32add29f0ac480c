"""Optimal plans: point exchange over the allowed candidates, several starts at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from doe.domain.study import Study
from doe.plans.points import FloatArray, IntArray, Points, grid
from doe.plans.variance import expand, region_moments, term_names

Criterion = Literal["I", "D"]

STARTS = 12
MOST_PASSES = 30
_RIDGE = 1e-6  # keeps the first, still singular steps of a start defined; too small to steer the result


@dataclass(frozen=True)
class Search:
    """What the exchange works on.

    Attributes
    ----------
    candidates : Points
        Allowed points.
    F : float array, shape (candidates, terms)
        Their model rows.
    known : float array, shape (terms, terms)
        Information that is there already: fixed coupons, and the prior where coupons are few.
    moments : float array, shape (terms, terms)
        Average of x x' over the region.
    """

    candidates: Points
    F: FloatArray
    known: FloatArray
    moments: FloatArray


def optimal_points(
    study: Study,
    coupons: int,
    rng: np.random.Generator,
    *,
    criterion: Criterion = "I",
    fixed: Points | None = None,
    earlier: tuple[FloatArray, IntArray, IntArray] | None = None,
    starts: int = STARTS,
) -> Points:
    """Points that predict best (I) or estimate best (D) for the full quadratic, around forbidden combinations.

    The model has all quadratic terms of the numeric factors, the main effects of the named ones and their
    interactions with the straight-line part of the numeric ones. With fewer coupons than terms, the second-order
    terms are held to be about as large as the error (W. DuMouchel and B. Jones 1994, Technometrics 36, 37-47), so
    that the coupons are still well placed.

    Parameters
    ----------
    study : Study
    coupons : int
        Number of points to choose, beside the fixed ones.
    rng : Generator
    criterion : {"I", "D"}
        Smallest average prediction variance over the region, or largest determinant of the information.
    fixed : Points, optional
        Points of the same round that are made anyway, such as centre coupons.
    earlier : (coded, levels, round), optional
        Coupons of earlier rounds; each round, and the new one, has a mean of its own.
    starts : int
        Random starts; the best end point is kept.

    Notes
    -----
    Exchange of one point at a time after V. V. Fedorov (1972), *Theory of Optimal Experiments*; the result is a good
    plan, not a proof of the best one.
    """
    search = _prepare(study, coupons, fixed, earlier)
    chosen = _exchange(search, coupons, rng, criterion, starts)
    return search.candidates.take(chosen)


def _prepare(
    study: Study, coupons: int, fixed: Points | None, earlier: tuple[FloatArray, IntArray, IntArray] | None
) -> Search:
    # a hard-to-change factor has levels between only where a forbidden combination cuts its corners off
    cut = any(study.factor(c.factor).hard_to_change for f in study.forbidden for c in f.clauses)
    candidates = grid(study, 5 if cut else 3, 5)
    F = expand(study, candidates.coded, candidates.levels, "quadratic")
    rows = [np.empty((0, F.shape[1]))] if fixed is None else [expand(study, fixed.coded, fixed.levels, "quadratic")]
    blocks = 0
    if earlier is not None:
        coded, levels, rounds = earlier
        old = expand(study, coded, levels, "quadratic")
        labels = np.unique(rounds)
        blocks = len(labels)
        # the intercept stands for the new round; each earlier round has its own difference from it
        shift = (rounds[:, None] == labels[None, :]).astype(float)
        rows = [np.hstack([r, np.zeros((len(r), blocks))]) for r in rows]
        rows.append(np.hstack([old, shift]))
        F = np.hstack([F, np.zeros((len(F), blocks))])
    X0 = np.vstack(rows)
    moments = np.zeros((F.shape[1], F.shape[1]))
    terms = F.shape[1] - blocks
    moments[:terms, :terms] = region_moments(study, "quadratic")
    prior = np.full(F.shape[1], _RIDGE)
    if coupons + len(X0) < F.shape[1] + 2:
        order = np.array([len(names) for names in term_names(study, "quadratic")])
        prior[:terms][order == 2] = 1.0
        F, X0, moments = (_centred(a, moments, order, terms) for a in (F, X0, moments))
    return Search(candidates, F, X0.T @ X0 + np.diag(prior), moments)


def _centred(rows: FloatArray, moments: FloatArray, order: IntArray, terms: int) -> FloatArray:
    """Second-order columns less their mean over the region, so that a prior on them says nothing about the mean.

    A square matrix of moments is changed on both sides.
    """
    T = np.eye(rows.shape[1])
    T[0, :terms] -= np.where(order == 2, moments[0, :terms], 0)
    changed = rows @ T
    return T.T @ changed if rows is moments else changed


def _exchange(search: Search, coupons: int, rng: np.random.Generator, criterion: Criterion, starts: int) -> IntArray:
    """Candidate of each coupon, the best over all starts, shape (coupons,).

    All starts are improved side by side: arrays lead with the start axis. With D the inverse of the information,
    taking a point x out and a point y in changes both criteria by rank-one formulas, so that all candidates for one
    coupon are weighed at once.
    """
    F, W = search.F, search.moments
    chosen = rng.integers(len(F), size=(starts, coupons))
    rows = np.arange(starts)
    live = rows
    for _ in range(MOST_PASSES):
        before = chosen.copy()
        X = F[chosen[live]]
        D: FloatArray = np.asarray(np.linalg.inv(X.transpose(0, 2, 1) @ X + search.known))
        for i in range(coupons):
            D = _without(D, F[chosen[live, i]])
            G = F @ D  # (live, candidates, terms)
            spread = np.einsum("scp,cp->sc", G, F, optimize=True)
            gain = spread if criterion == "D" else np.einsum("scp,scp->sc", G @ W, G, optimize=True) / (1 + spread)
            best = gain.argmax(axis=1)
            place = np.arange(len(live))
            keep = gain[place, best] <= gain[place, chosen[live, i]] * (1 + 1e-9)
            best = np.where(keep, chosen[live, i], best)
            chosen[live, i] = best
            D = _with(D, F[best])
        live = live[(chosen[live] != before[live]).any(axis=1)]
        if not len(live):
            break
    X = F[chosen]
    information = X.transpose(0, 2, 1) @ X + search.known
    if criterion == "D":
        merit = np.linalg.slogdet(information)[1]
    else:
        merit = -np.trace(np.linalg.solve(information, np.broadcast_to(W, information.shape)), axis1=1, axis2=2)
    return np.asarray(chosen[int(np.argmax(np.round(merit, 9)))])


def _without(D: FloatArray, x: FloatArray) -> FloatArray:
    v = np.einsum("spq,sq->sp", D, x)
    left = np.maximum(1 - np.einsum("sp,sp->s", v, x), 1e-10)
    return np.asarray(D + v[:, :, None] * v[:, None, :] / left[:, None, None])


def _with(D: FloatArray, x: FloatArray) -> FloatArray:
    v = np.einsum("spq,sq->sp", D, x)
    return np.asarray(D - v[:, :, None] * v[:, None, :] / (1 + np.einsum("sp,sp->s", v, x))[:, None, None])
