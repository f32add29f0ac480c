"""Proportional odds for ordered scores: maximum likelihood, or a plain statement why there is none.

Ours, because statsmodels' `OrderedModel` takes half a second to load and to fit, a sixth of what a report may take;
does not see that settings split the scores without overlap (and gives estimates as large as its search went); fails
on scores that are all alike; and has no expected information. The search is SciPy's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import expit, ndtr, ndtri

from doe.surfaces.classical.confounding import Floats, find_confounding
from doe.surfaces.classical.separation import Separation, separate

_COLUMNS = ("term", "estimate", "se", "low", "high", "se_expected", "z", "p")


@dataclass(frozen=True)
class OrdinalFit:
    """A proportional-odds fit: logit P(score <= category j) = cut_j - x beta.

    A positive coefficient means higher scores.

    Attributes
    ----------
    problem : str
        Why there is no fit; empty when there is one. Then the table is empty.
    coefficients : DataFrame
        term, estimate, se, low, high, se_expected, z, p. `se` and the Wald limits are from the observed
        information, `se_expected` from the expected.
    cuts : array, shape (categories - 1,)
        Between the categories that occur, ascending; scores that never occur take no part.
    separation : Separation
    notes : tuple of str
        The problem, and terms the coupons cannot separate from the kept ones or from the cut points.
    """

    problem: str
    coefficients: pd.DataFrame
    cuts: Floats
    separation: Separation
    notes: tuple[str, ...]


def fit_ordinal(X: ArrayLike, score: ArrayLike, names: Sequence[str], *, assurance: float = 0.95) -> OrdinalFit:
    """Fit ordered scores by proportional odds (cumulative logits).

    Parameters
    ----------
    X : array, shape (rows, terms)
        Model matrix *without* a constant: the cut points take its place.
    score : array, shape (rows,)
        Ordered score, such as hand-feel 1 to 5 in half steps; only the order counts.
    names : sequence of str
    assurance : float
        Of the two-sided Wald limits.

    Returns
    -------
    OrdinalFit
        With `problem` set when the scores are all alike, when no setting varied, or when the settings separate the
        scores so that no finite estimate exists.

    References
    ----------
    P. McCullagh (1980), *JRSS B* 42(2), 109-142; J. W. Pratt (1981), *JASA* 76, 103-106: the
    log-likelihood is concave, so there is one maximum.

    Examples
    --------
    >>> fit = fit_ordinal([[0], [0], [0], [1], [1], [1]], [1, 1, 2, 1, 2, 2], ["dwell"])
    >>> round(float(fit.coefficients["estimate"].iloc[0]), 4)  # log odds ratio, 2 log 2
    1.3863
    """
    matrix = np.asarray(X, dtype=float)
    # With a constant in front, a column that never varies counts as confounded with the cut points.
    with_cut = find_confounding(np.column_stack([np.ones(len(matrix)), matrix]), ["the cut points", *names])
    kept = with_cut.kept[with_cut.kept > 0] - 1
    design, terms = matrix[:, kept], [names[j] for j in kept]
    categories, level = np.unique(np.asarray(score, dtype=float), return_inverse=True)
    separation = Separation("none")
    problem, found = "", None
    if len(categories) < 2:
        what = "there is no score" if not len(categories) else f"every score is {categories[0]:g}"
        problem = f"No ordinal fit: {what}, so nothing can be compared."
    elif not terms:
        problem = "No ordinal fit: no setting varied among the scored coupons, so nothing can be compared."
    else:
        separation = _find_separation(design, level, terms)
        if separation.kind != "none":
            problem = (
                f"No ordinal fit: {' and '.join(separation.terms) or 'the settings'} split the scores without "
                "overlap, so there is no finite estimate."
            )
        else:
            found = _fit(design, level)
            problem = "" if found is not None else "No ordinal fit: the search for the best fit did not settle."
    table, cuts = pd.DataFrame(columns=list(_COLUMNS)), np.zeros(0)
    if found is not None:
        beta, se, cuts = found
        half = float(ndtri(0.5 + assurance / 2)) * se
        expected = np.sqrt(np.diag(np.linalg.inv(_expected_information(design, beta, cuts))))[: len(beta)]
        numbers = (beta, se, beta - half, beta + half, expected, beta / se, 2 * ndtr(-np.abs(beta / se)))
        table = pd.DataFrame(dict(zip(_COLUMNS, (terms, *numbers), strict=True)))
    notes = (problem, *with_cut.notes) if problem else with_cut.notes
    return OrdinalFit(problem, table, cuts, separation, notes)


def _fit(X: Floats, level: NDArray[np.intp]) -> tuple[Floats, Floats, Floats] | None:
    """Coefficients, their standard errors, cut points; None if the search did not settle."""
    scale = np.abs(X).max(axis=0)  # units must not matter
    X, p = X / scale, X.shape[1]
    share = np.cumsum(np.bincount(level))[:-1] / len(level)
    middle = np.log(share / (1 - share))

    def natural(u: Floats) -> Floats:
        """Coefficients and cuts; cuts are searched as the first and logarithms of the gaps, so that they ascend."""
        return np.concatenate([u[:p], np.cumsum(np.concatenate([u[p : p + 1], np.exp(u[p + 1 :])]))])

    def loss(u: Floats) -> tuple[float, Floats]:
        value, slopes, _ = _observed(X, level, natural(u))
        of_cuts = np.cumsum(slopes[p:][::-1])[::-1]  # moving one gap moves all cuts above it
        of_cuts[1:] *= np.exp(u[p + 1 :])
        return -value, -np.concatenate([slopes[:p], of_cuts])

    start = np.concatenate([np.zeros(p), middle[:1], np.log(np.diff(middle))])
    found = minimize(loss, start, jac=True, method="BFGS", options={"gtol": 1e-7, "maxiter": 1000})
    top = natural(found.x)
    _, slopes, information = _observed(X, level, top)
    try:
        variance = np.diag(np.linalg.inv(information))[:p]
    except np.linalg.LinAlgError:
        return None
    if not np.isfinite(slopes).all() or np.abs(slopes).max() > 1e-3 or not (variance > 0).all():
        return None
    return top[:p] / scale, np.sqrt(variance) / scale, top[p:]


def _observed(X: Floats, level: NDArray[np.intp], at: Floats) -> tuple[float, Floats, Floats]:
    """Log likelihood at coefficients and cuts, its slopes, and the observed information (McCullagh 1980)."""
    n, p = X.shape
    cuts = at[p:]
    toward = np.zeros((2, n, len(at)))  # how the logits below and above each row's category move
    edge, below, above = np.full((2, n), -np.inf), level > 0, level < len(cuts)
    edge[1] = np.inf
    for side, inside, cut in ((0, below, level - 1), (1, above, level)):
        rows = np.flatnonzero(inside)
        toward[side, rows, :p] = -X[rows]
        toward[side, rows, p + cut[rows]] = 1.0
        edge[side, rows] = cuts[cut[rows]] - X[rows] @ at[:p]
    chance = np.maximum(expit(edge[1]) - expit(edge[0]), 1e-300)
    density = expit(edge) * expit(-edge)
    bend = density * (expit(-edge) - expit(edge))
    row_slopes = (density[1][:, None] * toward[1] - density[0][:, None] * toward[0]) / chance[:, None]
    curved = sum(
        sign * np.einsum("i,ij,ik->jk", bend[side] / chance, toward[side], toward[side])
        for side, sign in ((1, 1.0), (0, -1.0))
    )
    information = row_slopes.T @ row_slopes - curved
    return float(np.log(chance).sum()), row_slopes.sum(axis=0), np.asarray(information)


def _expected_information(X: Floats, beta: Floats, cuts: Floats) -> Floats:
    """Every row's slopes over all categories, weighted by their probability: terms first, then cuts."""
    rows, (n, p) = len(cuts), X.shape
    below = expit(cuts - (X @ beta)[:, None])  # (n, cuts): chance of a score up to each cut
    slopes = np.zeros((n, rows + 2, p + rows))  # of 0, of each cut's chance, and of 1
    density = below * (1 - below)
    slopes[:, 1:-1, :p] = -density[:, :, None] * X[:, None, :]
    slopes[:, np.arange(rows) + 1, p + np.arange(rows)] = density
    chance = np.diff(np.column_stack([np.zeros(n), below, np.ones(n)]), axis=1)
    of_chance = np.diff(slopes, axis=1)
    # A category that practically never happens informs about nothing (0/0 in floating point).
    weight = np.where(chance > 1e-200, 1 / np.maximum(chance, 1e-200), 0.0)
    return np.asarray(np.einsum("ijk,ij,ijl->kl", of_chance, weight, of_chance))


def _find_separation(X: Floats, level: NDArray[np.intp], terms: Sequence[str]) -> Separation:
    """Directions along which no category's probability falls: upper edges rise, lower edges fall."""
    cuts = int(level.max())
    unit = np.eye(cuts)
    upper = np.column_stack([-X, np.vstack([unit, np.zeros(cuts)])[level]])[level < cuts]
    lower = np.column_stack([X, -np.vstack([np.zeros(cuts), unit])[level]])[level > 0]
    is_cut = np.arange(len(terms) + cuts) >= len(terms)
    # Moving cuts alone cannot separate anything: every category occurs.
    return separate(np.vstack([upper, lower]), [*terms, *(f"cut {j + 1}" for j in range(cuts))], is_free=is_cut)
