"""Ordinary least squares on a ready model matrix, pure error from repeated settings, and lack of fit against it.

Ours, because `OLS` of statsmodels shares the effect of confounded terms among them without naming them, divides by zero
where there are as many terms as coupons, and takes the rounding of scores that are all alike for scatter (a share
explained of -0.67). What mends that is longer than the fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from doe.surfaces.classical.confounding import Floats, Separable, find_confounding


@dataclass(frozen=True)
class ErrorEstimate:
    """A variance with its degrees of freedom, and whether repeated settings gave it or the model's own residuals."""

    variance: float
    df: int
    is_repeated: bool = False


@dataclass(frozen=True)
class LeastSquaresFit:
    """A fitted linear model.

    Attributes
    ----------
    estimates : array, shape (kept,)
        Estimates of the kept terms, in column order.
    separable : Separable
        Which columns were kept.
    error : ErrorEstimate or None
        What the standard errors and intervals rest on; None if no degree of freedom is left.
    root : array, shape (kept, kept)
        Times its transpose it is (X'X)^-1 of the kept columns.
    residuals : array, shape (coupons,)
    residual_ss, residual_df
        From this model's own residuals, whatever `error` is.
    """

    estimates: Floats
    separable: Separable
    assurance: float
    error: ErrorEstimate | None
    residual_ss: float
    root: Floats = field(repr=False)
    residuals: Floats = field(repr=False)

    @property
    def unscaled(self) -> Floats:
        """(X'X)^-1 of the kept columns, shape (kept, kept); times `error.variance` the covariance of the estimates."""
        return np.asarray(self.root @ self.root.T)

    @property
    def residual_df(self) -> int:
        """Degrees of freedom left for the error."""
        return len(self.residuals) - len(self.estimates)

    @property
    def partial_ss(self) -> Floats:
        """Sum of squares of each kept term after all others, shape (kept,)."""
        return np.asarray(self.estimates**2 / np.diag(self.unscaled))

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        """One row a kept term: term, estimate, se, df, t, p, low, high; all but two are missing without `error`."""
        terms = self.separable.terms
        variance, df = (np.nan, np.nan) if self.error is None else (self.error.variance, self.error.df)
        return coefficient_table(
            terms, self.estimates, np.sqrt(variance * np.diag(self.unscaled)), np.full(len(terms), df), self.assurance
        )

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader must know before believing the numbers."""
        notes = [*self.separable.notes]
        if self.residual_df == 0:
            notes.append("The model has as many terms as coupons: its fit says nothing about the error.")
        if self.error is None:
            notes.append("No error estimate: effects have no intervals. Replicates or fewer terms would give one.")
        return tuple(notes)


def fit_least_squares(
    X: ArrayLike,
    y: ArrayLike,
    names: Sequence[str] | None = None,
    *,
    assurance: float = 0.95,
    error: ErrorEstimate | None = None,
) -> LeastSquaresFit:
    """Fit a linear model by ordinary least squares.

    Parameters
    ----------
    X : array, shape (coupons, terms)
        Model matrix, the constant included as a column of ones where wanted; finite numbers, one row or more.
    y : array, shape (coupons,)
        Response.
    names : sequence of str, optional
        One name a column.
    assurance : float
        Of each coefficient's two-sided t interval.
    error : ErrorEstimate, optional
        Error to judge the coefficients by, such as pure error from replicates. Default: this
        model's residual mean square.

    Returns
    -------
    LeastSquaresFit

    Notes
    -----
    Trust the intervals only where coupons are independent: coupons that shared a cure or press batch
    are not (see `fit_mixed`). Columns that earlier ones determine are left out and named, not fatal.

    References
    ----------
    N. R. Draper and H. Smith (1998), *Applied Regression Analysis*, 3rd ed., ch. 5 and 6.

    Examples
    --------
    >>> fit = fit_least_squares([[1, -1], [1, 0], [1, 1]], [1.0, 2.0, 3.3], ["constant", "dwell"])
    >>> fit.estimates.round(2).tolist()
    [2.1, 1.15]
    """
    matrix, response = np.asarray(X, dtype=float), np.asarray(y, dtype=float)
    separable = find_confounding(matrix, names)
    design = matrix[:, separable.kept]
    Q, R = np.linalg.qr(design)
    inverse = np.linalg.solve(R, np.eye(len(R)))
    estimates = inverse @ (Q.T @ response)
    residuals = response - design @ estimates
    n = len(matrix)
    df = n - len(estimates)
    # Sums of squares that are only rounding error count as zero, or a perfect fit would get a noise level.
    rounding = n * float(1e-14 * np.abs(response).max()) ** 2
    residual_ss = float(residuals @ residuals) if df else 0.0
    residual_ss = residual_ss if residual_ss > rounding else 0.0
    return LeastSquaresFit(
        estimates=estimates,
        separable=separable,
        assurance=assurance,
        error=ErrorEstimate(residual_ss / df, df) if error is None and df else error,
        residual_ss=residual_ss,
        root=inverse,
        residuals=residuals,
    )


def coefficient_table(
    terms: Sequence[str], estimates: Floats, se: Floats, df: Floats, assurance: float
) -> pd.DataFrame:
    """Two-sided t tests and intervals of estimates: term, estimate, se, df, t, p, low, high.

    Parameters
    ----------
    terms : sequence of str
    estimates, se, df : arrays, shape (terms,)
        A standard error of zero makes t infinite, or 0 for an estimate of 0.
    assurance : float
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(estimates == 0, 0.0 * se, estimates / se)
    half = stats.t.ppf(0.5 + assurance / 2, df) * se
    return pd.DataFrame(
        {
            "term": list(terms),
            "estimate": estimates,
            "se": se,
            "df": df,
            "t": t,
            "p": 2 * stats.t.sf(np.abs(t), df),
            "low": estimates - half,
            "high": estimates + half,
        }
    )


def find_pure_error(settings: ArrayLike, y: ArrayLike) -> ErrorEstimate | None:
    """Variation between coupons whose rows of `settings` are equal (to 1e-9); None where no setting was repeated.

    Parameters
    ----------
    settings : array, shape (coupons, factors)
    y : array, shape (coupons,)

    Notes
    -----
    Only true replicates count. Two scores of one coupon are not replicates, and coupons of one batch
    share their batch's error, so that pure error from them is too small.

    References
    ----------
    G. E. P. Box and N. R. Draper (2007), *Response Surfaces, Mixtures, and Ridge Analyses*, 2nd ed.,
    sec. 3.8 (from memory).
    """
    response = np.asarray(y, dtype=float)
    _, group = np.unique(np.round(np.asarray(settings, dtype=float), 9) + 0.0, axis=0, return_inverse=True)
    group = group.reshape(-1)
    sizes = np.bincount(group)
    means = np.bincount(group, weights=response) / sizes
    ss = float(np.sum((response - means[group]) ** 2))
    df = int(len(response) - len(sizes))
    return ErrorEstimate(ss / df, df, is_repeated=True) if df else None


@dataclass(frozen=True)
class LackOfFit:
    """Whether the model misses something the replicates would not explain.

    Attributes
    ----------
    lack_ss, lack_df, pure_df
        What pure error leaves of the residual sum of squares, and the two degrees of freedom.
    f, p : float or None
        The F test; None when one of the two parts has no degrees of freedom, and `note` says which.
    """

    lack_ss: float
    lack_df: int
    pure_df: int
    f: float | None
    p: float | None
    note: str


def judge_lack_of_fit(fit: LeastSquaresFit, settings: ArrayLike, y: ArrayLike) -> LackOfFit:
    """Test a fit's residuals for lack of fit against pure error.

    Parameters
    ----------
    fit : LeastSquaresFit
    settings : array, shape (coupons, factors)
        Settings of *every* factor, also those the model leaves out, and any blocks.
    y : array, shape (coupons,)
        The response that was fitted.

    Returns
    -------
    LackOfFit

    Notes
    -----
    A large p is no proof of fit: with a handful of replicates the test misses a lot.

    References
    ----------
    D. C. Montgomery, *Design and Analysis of Experiments*, response-surface chapter; Draper and Smith
    (1998), 3rd ed., sec. 2.1.
    """
    pure = find_pure_error(settings, y)
    pure_df = pure.df if pure else 0
    lack_df = fit.residual_df - pure_df
    lack_ss = max(fit.residual_ss - (pure.variance * pure_df if pure else 0.0), 0.0) if lack_df > 0 else 0.0
    f = p = None
    if pure is None:
        note = "No setting was repeated, so lack of fit cannot be judged."
    elif lack_df == 0:
        note = "The model has a term for every distinct setting, so it cannot lack fit."
    elif pure.variance == 0:
        note = "All replicates agree exactly, so lack of fit cannot be judged against them."
    else:
        f = lack_ss / lack_df / pure.variance
        p = float(stats.f.sf(f, lack_df, pure_df))
        note = f"Judged on {pure_df} degrees of freedom of pure error."
    return LackOfFit(lack_ss, lack_df, pure_df, f, p, note)
