"""Proportional odds for ordered scores: maximum likelihood, or a plain statement why there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats
from scipy.special import expit, logit

from doe.domain.errors import InputError
from doe.surfaces.classical.confounding import Confounding, find_confounding
from doe.surfaces.classical.inputs import Floats, as_matrix, as_vector, check_assurance
from doe.surfaces.classical.separation import Separation, separate

_ROUNDS = 100


@dataclass(frozen=True)
class OrdinalFit:
    """A proportional-odds fit: logit P(score <= category j) = cut_j - x beta.

    A positive coefficient means higher scores.

    Attributes
    ----------
    problem : str
        Why there is no fit; empty when there is one. Then the tables are empty and `minus_two_log` None.
    coefficients : DataFrame
        term, estimate, se, low, high, se_expected, z, p. `se` and the Wald limits are from the observed
        information, `se_expected` from the expected.
    cuts : DataFrame
        between (lower and upper category), estimate, se, se_expected.
    categories : tuple of float
        Categories that occur, ascending; scores that never occur take no part.
    covariance : array, shape (terms + cuts, terms + cuts)
        Inverse observed information, terms first.
    minus_two_log : float or None
    separation : Separation
    kept : array of int
        Columns of X that were fitted.
    confoundings : tuple of Confounding
        Terms the coupons cannot separate from the kept ones or from the cut points.
    notes : tuple of str
    """

    names: tuple[str, ...]
    problem: str
    coefficients: pd.DataFrame
    cuts: pd.DataFrame
    categories: tuple[float, ...]
    covariance: Floats
    minus_two_log: float | None
    separation: Separation
    kept: NDArray[np.int_]
    confoundings: tuple[Confounding, ...]
    assurance: float
    notes: tuple[str, ...]

    @property
    def can_be_used(self) -> bool:
        """Whether there is a fit."""
        return not self.problem


def fit_ordinal(
    X: ArrayLike,
    score: ArrayLike,
    names: Sequence[str] | None = None,
    *,
    counts: ArrayLike | None = None,
    assurance: float = 0.95,
) -> OrdinalFit:
    """Fit ordered scores by proportional odds (cumulative logits).

    Parameters
    ----------
    X : array, shape (rows, terms)
        Model matrix *without* a constant: the cut points take its place.
    score : array, shape (rows,)
        Ordered score, such as hand-feel 1 to 5 in half steps; only the order counts.
    names : sequence of str, optional
    counts : array, shape (rows,), optional
        How many coupons each row stands for, default 1.
    assurance : float
        Of the two-sided Wald limits.

    Returns
    -------
    OrdinalFit
        With `problem` set when the scores are all alike, or when the settings separate them so that no
        finite estimate exists.

    Raises
    ------
    InputError
        If shapes disagree, a value is not finite or a count is negative.

    References
    ----------
    P. McCullagh (1980), *JRSS B* 42(2), 109-142; J. W. Pratt (1981), *JASA* 76, 103-106: the
    log-likelihood is concave, so Newton's method with step-halving finds the one maximum.

    Examples
    --------
    >>> fit = fit_ordinal([[0], [0], [0], [1], [1], [1]], [1, 1, 2, 1, 2, 2], ["dwell"])
    >>> round(float(fit.coefficients["estimate"].iloc[0]), 4)  # log odds ratio, 2 log 2
    1.3863
    """
    check_assurance(assurance)
    matrix, columns = as_matrix(X, names)
    y = as_vector(score, len(matrix), "score")
    weight = np.ones(len(y)) if counts is None else as_vector(counts, len(y), "counts")
    if (weight < 0).any():
        raise InputError("counts", float(weight.min()), "0 or more", "Count each coupon once.")
    some = weight > 0
    matrix, y, weight = matrix[some], y[some], weight[some]
    # With a constant in front, a column that never varies counts as confounded with the cut points.
    with_cut = find_confounding(np.column_stack([np.ones(len(y)), matrix]), ["the cut points", *columns])
    kept = with_cut.kept[with_cut.kept > 0] - 1
    categories, level = np.unique(y, return_inverse=True)
    data = _Data(matrix[:, kept], level.reshape(-1), weight, len(categories))
    kept_names = [columns[j] for j in kept]
    separation = Separation("none", (), np.zeros(data.size), ())
    notes = tuple(str(c) for c in with_cut.confoundings)
    problem = ""
    beta, value = np.zeros(data.size), 0.0
    if len(categories) < 2:
        what = "there is no score" if not len(categories) else f"every score is {categories[0]:g}"
        problem = f"No ordinal fit: {what}, so nothing can be compared."
    else:
        separation = _find_separation(data, kept_names)
        if separation.kind != "none":
            problem = (
                f"No ordinal fit: {' and '.join(separation.terms) or 'the settings'} split the scores without "
                "overlap, so there is no finite estimate."
            )
        else:
            beta, value, settled = _maximise(data)
            problem = "" if settled else "No ordinal fit: the search for the best fit did not settle."
    if problem:
        return OrdinalFit(
            columns,
            problem,
            _coefficient_table([], *(np.zeros(0),) * 3, assurance),
            _cut_table([], *(np.zeros(0),) * 3),
            tuple(float(c) for c in categories),
            np.zeros((0, 0)),
            None,
            separation,
            kept,
            with_cut.confoundings,
            assurance,
            (problem, *notes),
        )
    covariance = np.asarray(np.linalg.inv(data.observed(beta)), dtype=np.float64)
    se, se_expected = np.sqrt(np.diag(covariance)), np.sqrt(np.diag(np.linalg.inv(data.expected(beta))))
    p = len(kept_names)
    between = [f"{low:g} | {high:g}" for low, high in pairwise(categories)]
    return OrdinalFit(
        columns,
        "",
        _coefficient_table(kept_names, beta[:p], se[:p], se_expected[:p], assurance),
        _cut_table(between, beta[p:], se[p:], se_expected[p:]),
        tuple(float(c) for c in categories),
        covariance,
        -2 * value,
        separation,
        kept,
        with_cut.confoundings,
        assurance,
        notes,
    )


def predict_scores(fit: OrdinalFit, rows: ArrayLike) -> pd.DataFrame:
    """Probability of each category at rows of the model matrix, shape (rows, terms).

    Columns are the categories; every row adds up to 1.
    """
    if fit.problem:
        raise InputError("ordinal fit", fit.problem, "a fit that exists", "Use the hand-feel surface instead.")
    wanted, _ = as_matrix(rows, fit.names)
    eta = wanted[:, fit.kept] @ fit.coefficients["estimate"].to_numpy(dtype=float)
    below = expit(fit.cuts["estimate"].to_numpy(dtype=float)[None, :] - eta[:, None])
    steps = np.diff(np.column_stack([np.zeros(len(eta)), below, np.ones(len(eta))]), axis=1)
    return pd.DataFrame(steps, columns=list(fit.categories))


@dataclass(frozen=True)
class _Data:
    """Rows, their category 0 .. J-1, their counts. Parameters: terms first, then J-1 cuts."""

    X: Floats
    level: NDArray[np.intp]
    weight: Floats
    categories: int

    @property
    def size(self) -> int:
        return int(self.X.shape[1]) + max(self.categories - 1, 0)

    def edges(self, level: NDArray[np.intp]) -> tuple[Floats, Floats]:
        """Derivatives of the upper and lower edge (cut - x beta) of each row's category.

        Rows of zeros stand for an edge at infinity.
        """
        p, cuts = self.X.shape[1], self.categories - 1
        upper, lower = np.zeros((len(level), p + cuts)), np.zeros((len(level), p + cuts))
        has_upper, has_lower = level < cuts, level > 0
        upper[has_upper, :p] = -self.X[has_upper]
        upper[has_upper, p + level[has_upper]] = 1.0
        lower[has_lower, :p] = -self.X[has_lower]
        lower[has_lower, p + level[has_lower] - 1] = 1.0
        return upper, lower

    def _pieces(
        self, beta: Floats, level: NDArray[np.intp]
    ) -> tuple[Floats, tuple[Floats, Floats], tuple[Floats, Floats]]:
        """Category probability, and value and density at both edges."""
        upper, lower = self.edges(level)
        top, bottom = level == self.categories - 1, level == 0
        a = np.where(top, np.inf, upper @ beta)
        b = np.where(bottom, -np.inf, lower @ beta)
        # P = F(a) - F(b), taken in the tail where it does not cancel.
        flip = ~bottom & (top | (np.where(top, 0.0, a) + np.where(bottom, 0.0, b) > 0))
        probability = np.where(flip, expit(-b) - expit(-a), expit(a) - expit(b))
        return probability, (expit(a), expit(b)), (expit(a) * expit(-a), expit(b) * expit(-b))

    def log_likelihood(self, beta: Floats) -> float:
        probability = self._pieces(beta, self.level)[0]
        if (probability <= 0).any():
            return -np.inf
        return float(self.weight @ np.log(probability))

    def score(self, beta: Floats) -> Floats:
        upper, lower = self.edges(self.level)
        probability, _, (fa, fb) = self._pieces(beta, self.level)
        w = self.weight / probability
        return np.asarray(upper.T @ (w * fa) - lower.T @ (w * fb))

    def observed(self, beta: Floats) -> Floats:
        """Negative Hessian of the log-likelihood."""
        upper, lower = self.edges(self.level)
        probability, (Fa, Fb), (fa, fb) = self._pieces(beta, self.level)
        w = self.weight / probability
        # d f / d edge = f (1 - 2F) for the logistic density.
        aa = w * (fa**2 / probability - fa * (1 - 2 * Fa))
        bb = w * (fb**2 / probability + fb * (1 - 2 * Fb))
        ab = -w * fa * fb / probability
        cross = (upper.T * ab) @ lower
        return np.asarray((upper.T * aa) @ upper + (lower.T * bb) @ lower + cross + cross.T)

    def expected(self, beta: Floats) -> Floats:
        """Expected information: every row's slopes over all categories, weighted by their probability."""
        total = np.zeros((self.size, self.size))
        for j in range(self.categories):
            level = np.full(len(self.level), j, dtype=np.intp)
            upper, lower = self.edges(level)
            probability, _, (fa, fb) = self._pieces(beta, level)
            slope = upper * fa[:, None] - lower * fb[:, None]
            # A category that practically never happens informs about nothing (0/0 in floating point).
            w = np.where(probability > 1e-200, self.weight / np.maximum(probability, 1e-200), 0.0)
            total += (slope.T * w) @ slope
        return total


def _maximise(data: _Data) -> tuple[Floats, float, bool]:
    """Newton's method with step-halving from the cut points of the pooled scores."""
    p = data.X.shape[1]
    shares = np.bincount(data.level, weights=data.weight, minlength=data.categories)
    beta = np.zeros(data.size)
    beta[p:] = logit(np.cumsum(shares)[:-1] / shares.sum())
    value = data.log_likelihood(beta)
    for _ in range(_ROUNDS):
        slope, information = data.score(beta), data.observed(beta)
        try:
            L = np.linalg.cholesky(information)
        except np.linalg.LinAlgError:
            return beta, value, False
        step = np.linalg.solve(L.T, np.linalg.solve(L, slope))
        gain = float(slope @ step)
        if gain < 1e-13 * (1 + abs(value)):
            return beta, value, True
        for _ in range(50):
            trial = data.log_likelihood(beta + step)
            if trial > value:
                break
            step = step / 2
        else:
            return beta, value, gain < 1e-8 * (1 + abs(value))
        beta, value = beta + step, trial
    return beta, value, False


def _find_separation(data: _Data, names: Sequence[str]) -> Separation:
    """Directions along which no category's probability falls: upper edges rise, lower edges fall."""
    upper, lower = data.edges(data.level)
    rows = np.vstack([upper[np.any(upper != 0, axis=1)], -lower[np.any(lower != 0, axis=1)]])
    cuts = data.categories - 1
    is_cut = np.r_[np.zeros(len(names), dtype=bool), np.ones(cuts, dtype=bool)]
    # Moving cuts alone cannot separate anything: every category occurs.
    return separate(rows, [*names, *(f"cut {j + 1}" for j in range(cuts))], is_free=is_cut)


def _coefficient_table(
    names: Sequence[str], beta: Floats, se: Floats, se_expected: Floats, assurance: float
) -> pd.DataFrame:
    half = float(stats.norm.ppf(0.5 + assurance / 2)) * se
    z = beta / np.where(se > 0, se, 1.0)
    return pd.DataFrame(
        {
            "term": list(names),
            "estimate": beta,
            "se": se,
            "low": beta - half,
            "high": beta + half,
            "se_expected": se_expected,
            "z": z,
            "p": 2 * stats.norm.sf(np.abs(z)),
        }
    )


def _cut_table(between: Sequence[str], estimate: Floats, se: Floats, se_expected: Floats) -> pd.DataFrame:
    return pd.DataFrame({"between": list(between), "estimate": estimate, "se": se, "se_expected": se_expected})
