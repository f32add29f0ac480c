"""Ordinary least squares of one response on a model matrix, with everything needed to doubt it.

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

from doe.domain.errors import InputError
from doe.surfaces.classical.confounding import Confounding, Separable, find_confounding
from doe.surfaces.classical.inputs import Floats, as_matrix, as_vector, check_assurance


@dataclass(frozen=True)
class ErrorEstimate:
    """A variance with its degrees of freedom and where it came from (``"model"``, ``"replicates"`` ...)."""

    variance: float
    df: float
    source: str


@dataclass(frozen=True)
class LeastSquaresFit:
    """A fitted linear model.

    Attributes
    ----------
    names : tuple of str
        Every column that was asked for, also those the coupons cannot tell apart.
    estimates : array, shape (kept,)
        Estimates of the kept terms, in column order.
    separable : Separable
        Which columns were kept.
    error : ErrorEstimate or None
        What the standard errors and intervals rest on; None if no degree of freedom is left.
    root : array, shape (kept, kept)
        Of `unscaled`: root times its transpose.
    residuals, leverage : arrays, shape (coupons,)
    residual_ss, residual_df, residual_sd
        From this model's own residuals, whatever `error` is. `residual_sd` is None on 0 df.
    total_ss : float
        Sum of squares about the mean; about zero where no constant lies in the span of the columns.
    has_constant : bool
        Whether one does.
    """

    names: tuple[str, ...]
    estimates: Floats
    separable: Separable
    assurance: float
    error: ErrorEstimate | None
    residual_ss: float
    total_ss: float
    has_constant: bool
    root: Floats = field(repr=False)
    residuals: Floats = field(repr=False)
    leverage: Floats = field(repr=False)

    @property
    def confoundings(self) -> tuple[Confounding, ...]:
        """Terms the coupons cannot separate from those kept."""
        return self.separable.confoundings

    @property
    def unscaled(self) -> Floats:
        """(X'X)^-1 of the kept columns, shape (kept, kept); times `error.variance` the covariance of the estimates."""
        return np.asarray(self.root @ self.root.T)

    @property
    def residual_df(self) -> int:
        """Degrees of freedom left for the error."""
        return len(self.residuals) - len(self.estimates)

    @property
    def residual_sd(self) -> float | None:
        """Root of the residual mean square."""
        return float(np.sqrt(self.residual_ss / self.residual_df)) if self.residual_df else None

    @property
    def r2(self) -> float | None:
        """Share of the variation that the model explains."""
        return 1 - self.residual_ss / self.total_ss if self.total_ss > 0 else None

    @property
    def r2_adjusted(self) -> float | None:
        """The same for mean squares, which more terms do not raise by themselves."""
        if self.r2 is None or not self.residual_df:
            return None
        return 1 - (1 - self.r2) * (len(self.residuals) - int(self.has_constant)) / self.residual_df

    @property
    def press(self) -> float | None:
        """Sum of squared errors of predicting each coupon from all others; None where one is fitted exactly."""
        return None if self._fitted_exactly else float(np.sum((self.residuals / (1 - self.leverage)) ** 2))

    @property
    def r2_press(self) -> float | None:
        """Share of the variation that is predicted for coupons left out."""
        return None if self.press is None or self.total_ss <= 0 else 1 - self.press / self.total_ss

    @property
    def _fitted_exactly(self) -> int:
        return int(np.sum(self.leverage >= 1 - 1e-9))

    @property
    def partial_ss(self) -> Floats:
        """Sum of squares of each kept term after all others, shape (kept,)."""
        return np.asarray(self.estimates**2 / np.diag(self.unscaled))

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        """One row a kept term: term, estimate, se, df, t, p, low, high; all but two are missing without `error`."""
        terms = [self.names[j] for j in self.separable.kept]
        variance, df = (np.nan, np.nan) if self.error is None else (self.error.variance, self.error.df)
        return coefficient_table(
            terms, self.estimates, np.sqrt(variance * np.diag(self.unscaled)), np.full(len(terms), df), self.assurance
        )

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader must know before believing the numbers."""
        notes = [str(c) for c in self.confoundings]
        if self.residual_df == 0:
            notes.append("The model has as many terms as coupons: its fit says nothing about the error.")
        if self.error is None:
            notes.append("No error estimate: effects have no intervals. Replicates or fewer terms would give one.")
        if self._fitted_exactly:
            notes.append(
                f"{self._fitted_exactly} of {len(self.residuals)} coupons are fitted exactly (leverage 1), "
                "so leave-one-out is undefined."
            )
        return tuple(notes)

    def estimate_of(self, name: str) -> float:
        """Estimate of one kept term by name.

        Raises
        ------
        InputError
            If no such term was kept.
        """
        terms = [self.names[j] for j in self.separable.kept]
        if name not in terms:
            raise InputError("term", name, ", ".join(terms), "Pick a fitted term.")
        return float(self.estimates[terms.index(name)])


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
        Model matrix, the constant included as a column of ones where wanted.
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

    Raises
    ------
    InputError
        If shapes disagree, a value is not finite or there is no coupon.

    Notes
    -----
    Trust the intervals only where coupons are independent: coupons that shared a cure or press batch
    are not (see `fit_mixed`). Columns that earlier ones determine are left out and named, not fatal.

    References
    ----------
    N. R. Draper and H. Smith (1998), *Applied Regression Analysis*, 3rd ed., ch. 5, 6 and 8.
    D. M. Allen (1974), *Technometrics* 16(1), 125-127, for PRESS.

    Examples
    --------
    >>> fit = fit_least_squares([[1, -1], [1, 0], [1, 1]], [1.0, 2.0, 3.3], ["constant", "dwell"])
    >>> round(fit.estimate_of("dwell"), 2)
    1.15
    """
    check_assurance(assurance)
    matrix, columns = as_matrix(X, names)
    response = as_vector(y, len(matrix), "response")
    n = len(matrix)
    if not n:
        raise InputError("coupons", 0, "1 or more", "Score at least one coupon first.")
    separable = find_confounding(matrix, columns)
    design = matrix[:, separable.kept]
    Q, R = np.linalg.qr(design)
    inverse = np.linalg.solve(R, np.eye(len(R)))
    estimates = inverse @ (Q.T @ response)
    residuals = response - design @ estimates
    df = n - len(estimates)
    # Sums of squares that are only rounding error count as zero, or a perfect fit would get a noise level.
    rounding = n * float(1e-14 * np.abs(response).max()) ** 2
    residual_ss = float(residuals @ residuals) if df else 0.0
    residual_ss = residual_ss if residual_ss > rounding else 0.0
    has_constant = bool(np.linalg.norm(np.ones(n) - Q @ Q.sum(axis=0)) < 1e-8 * np.sqrt(n))
    about = response - response.mean() if has_constant else response
    total_ss = float(about @ about)
    return LeastSquaresFit(
        names=columns,
        estimates=estimates,
        separable=separable,
        assurance=assurance,
        error=ErrorEstimate(residual_ss / df, df, "model") if error is None and df else error,
        residual_ss=residual_ss,
        total_ss=total_ss if total_ss > rounding else 0.0,
        has_constant=has_constant,
        root=inverse,
        residuals=residuals,
        leverage=np.clip(np.einsum("ij,ij->i", Q, Q), 0.0, 1.0),
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
