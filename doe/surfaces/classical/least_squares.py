"""Ordinary least squares of one response on a model matrix, with everything needed to doubt it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats
from scipy.linalg.lapack import dgeqrf, dtrtrs

from doe.domain.errors import InputError
from doe.surfaces.classical.confounding import (
    Confounding,
    Separable,
    all_separate,
    find_confounding,
    shows_all_separate,
)
from doe.surfaces.classical.inputs import Floats, as_matrix, as_vector, check_assurance


@dataclass(frozen=True)
class ErrorEstimate:
    """A variance with its degrees of freedom and where it came from (``"model"``, ``"replicates"`` ...)."""

    variance: float
    df: float
    source: str


@dataclass(frozen=True)
class LeastSquaresFit:
    """A fitted linear model: solved at once; table, sums of squares and leverage when first asked for.

    Attributes
    ----------
    names : tuple of str
        Every column that was asked for, also those the coupons cannot tell apart.
    coefficients : DataFrame
        One row a kept term: term, estimate, se, t, p, low, high. Without an error estimate the last
        five are missing, and `notes` says so.
    estimates : array, shape (kept,)
        Estimates of the kept terms, in column order.
    error : ErrorEstimate or None
        What the standard errors and intervals rest on; None if no degree of freedom is left.
    unscaled : array, shape (kept, kept)
        (X'X)^-1 of the kept columns; times `error.variance` the covariance of the estimates.
    fitted, residuals, leverage : arrays, shape (coupons,)
    residual_ss, residual_df, residual_sd
        From this model's own residuals, whatever `error` is. `residual_sd` is None on 0 df.
    has_constant, constant_column
        Whether a constant lies in the span of the columns, and which kept column it is, if any.
    r2, r2_adjusted, r2_press, press
        Shares of the variation about the mean (about zero without a constant). None where undefined:
        a coupon with leverage 1 is fitted exactly, so leaving it out cannot be judged.
    sequential_ss, partial_ss : arrays, shape (kept,)
        Sum of squares of each kept term after those before it, and after all others.
    confoundings : tuple of Confounding
        Terms the coupons cannot separate, left out of the fit.
    notes : tuple of str
        What a reader must know before believing the numbers.
    """

    names: tuple[str, ...]
    estimates: Floats
    separable: Separable
    assurance: float
    judged_by: ErrorEstimate | None  # as given; None: this model's own residuals
    # Copies of what was fitted: the caller may go on writing into its arrays before something is asked for.
    design: Floats = field(repr=False)
    response: Floats = field(repr=False)
    factor: Floats = field(repr=False)  # R of the kept columns, with Q'y as one more column

    @property
    def coupons(self) -> int:
        """How many coupons were fitted."""
        return len(self.response)

    @property
    def confoundings(self) -> tuple[Confounding, ...]:
        """Terms the coupons cannot separate from those kept."""
        return self.separable.confoundings

    @cached_property
    def error(self) -> ErrorEstimate | None:
        """The error given, or this model's residual mean square where it has one."""
        if self.judged_by is not None or not self.residual_df:
            return self.judged_by
        return ErrorEstimate(self.residual_ss / self.residual_df, self.residual_df, "model")

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        """Estimates with standard errors, tests and intervals."""
        terms = [self.names[j] for j in self.separable.kept]
        return _coefficient_table(terms, self.estimates, self.unscaled, self.error, self.assurance)

    @cached_property
    def unscaled(self) -> Floats:
        """(X'X)^-1 of the kept columns."""
        rank = len(self.estimates)
        inverse = np.linalg.solve(self.factor[:, :rank], np.eye(rank))
        return np.asarray(inverse @ inverse.T)

    @cached_property
    def fitted(self) -> Floats:
        """Fitted response of each coupon."""
        return np.asarray(self.design @ self.estimates)

    @cached_property
    def residuals(self) -> Floats:
        """Response minus fitted."""
        return np.asarray(self.response - self.fitted)

    @cached_property
    def _basis(self) -> Floats:
        """Orthonormal columns that span the model."""
        return np.linalg.qr(self.design)[0]

    @cached_property
    def leverage(self) -> Floats:
        """Weight of each coupon's own response in its fitted value."""
        return np.asarray(np.clip(np.einsum("ij,ij->i", self._basis, self._basis), 0.0, 1.0))

    @property
    def residual_df(self) -> int:
        """Degrees of freedom left for the error."""
        return self.coupons - len(self.estimates)

    @cached_property
    def _rounding(self) -> float:
        # Sums of squares that are only rounding error count as zero, or a perfect fit would get a noise level.
        return self.coupons * float(1e-14 * np.abs(self.response).max(initial=0.0)) ** 2

    @cached_property
    def residual_ss(self) -> float:
        """Sum of squared residuals."""
        ss = float(self.residuals @ self.residuals) if self.residual_df else 0.0
        return _drop_rounding(ss, self._rounding)

    @property
    def residual_sd(self) -> float | None:
        """Root of the residual mean square."""
        return float(np.sqrt(self.residual_ss / self.residual_df)) if self.residual_df else None

    @cached_property
    def has_constant(self) -> bool:
        """Whether a constant lies in the span of the columns."""
        n, Q = self.coupons, self._basis
        return bool(np.linalg.norm(np.ones(n) - Q @ Q.sum(axis=0)) < 1e-8 * np.sqrt(n))

    @cached_property
    def constant_column(self) -> int | None:
        """The first kept column that is constant."""
        return next((j for j, column in enumerate(self.design.T) if np.ptp(column) == 0.0), None)

    @cached_property
    def total_ss(self) -> float:
        """Sum of squares about the mean, or about zero without a constant."""
        total = self.response - self.response.mean() if self.has_constant else self.response
        return _drop_rounding(float(total @ total), self._rounding)

    @property
    def r2(self) -> float | None:
        """Share of the variation that the model explains."""
        return 1 - self.residual_ss / self.total_ss if self.total_ss > 0 else None

    @property
    def r2_adjusted(self) -> float | None:
        """The same for mean squares, which more terms do not raise by themselves."""
        if self.r2 is None or not self.residual_df:
            return None
        return 1 - (1 - self.r2) * (self.coupons - int(self.has_constant)) / self.residual_df

    @cached_property
    def press(self) -> float | None:
        """Sum of squared errors of predicting each coupon from all others."""
        if self._fitted_exactly:
            return None
        return float(np.sum((self.residuals / (1 - self.leverage)) ** 2))

    @property
    def r2_press(self) -> float | None:
        """Share of the variation that is predicted for coupons left out."""
        return None if self.press is None or self.total_ss <= 0 else 1 - self.press / self.total_ss

    @property
    def _fitted_exactly(self) -> int:
        return int(np.sum(self.leverage >= 1 - 1e-9))

    @property
    def sequential_ss(self) -> Floats:
        """Sum of squares of each kept term after those before it: the squared orthogonal contrasts."""
        return np.asarray(self.factor[:, -1] ** 2)

    @property
    def partial_ss(self) -> Floats:
        """Sum of squares of each kept term after all others."""
        return np.asarray(self.estimates**2 / np.diag(self.unscaled))

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What a reader must know before believing the numbers."""
        notes = [str(c) for c in self.confoundings]
        if self.residual_df == 0:
            notes.append("The model has as many terms as coupons: its fit says nothing about the error.")
        if self.error is None:
            notes.append("No error estimate: effects have no intervals. Replicates or fewer terms would give one.")
        if self._fitted_exactly:
            notes.append(
                f"{self._fitted_exactly} of {self.coupons} coupons are fitted exactly (leverage 1), "
                "so leave-one-out is undefined."
            )
        return tuple(notes)

    def estimate_of(self, name: str) -> float:
        """Estimate of one kept term by name."""
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
        If shapes disagree or a value is not finite.

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
    if not len(matrix):
        raise InputError("coupons", 0, "1 or more", "Score at least one coupon first.")
    # One factorisation of the columns with the response beside them answers which columns the coupons
    # tell apart, and carries Q'y along, so that Q is never formed.
    both, factor = _factorise(matrix, response)
    separable = all_separate(len(columns))
    if not shows_all_separate(factor[:, :-1]):
        separable = find_confounding(matrix, columns)
        both, factor = _factorise(matrix[:, separable.kept], response)
    rank = len(separable.kept)
    estimates = dtrtrs(factor[:, :rank], factor[:, rank])[0] if rank else np.zeros(0)
    return LeastSquaresFit(
        names=columns,
        estimates=estimates,
        separable=separable,
        assurance=assurance,
        judged_by=error,
        design=both[:, :rank],
        response=both[:, rank],
        factor=factor,
    )


def _factorise(design: Floats, response: Floats) -> tuple[Floats, Floats]:
    """Both side by side in a copy, and the triangle R of the design with Q'y beside it.

    LAPACK is called directly: on so few coupons the checks of the NumPy call cost more than its work.
    """
    rows, terms = design.shape
    both = np.empty((rows, terms + 1), order="F")
    both[:, :terms], both[:, terms] = design, response
    return both, np.triu(dgeqrf(both)[0][:terms])


def _drop_rounding(ss: float, rounding: float) -> float:
    return ss if ss > rounding else 0.0


def _coefficient_table(
    terms: Sequence[str], estimates: Floats, unscaled: Floats, error: ErrorEstimate | None, assurance: float
) -> pd.DataFrame:
    table = pd.DataFrame({"term": list(terms), "estimate": estimates})
    if error is None:
        return table.assign(se=np.nan, t=np.nan, p=np.nan, low=np.nan, high=np.nan)
    se = np.sqrt(error.variance * np.diag(unscaled))
    half = stats.t.ppf(0.5 + assurance / 2, error.df) * se
    t = t_ratio(estimates, se)
    return table.assign(se=se, t=t, p=2 * stats.t.sf(np.abs(t), error.df), low=estimates - half, high=estimates + half)


def t_ratio(estimates: Floats, se: Floats) -> Floats:
    """Estimate over standard error; infinite for a perfect fit, 0 where both are 0."""
    zero = se == 0
    ratio: Floats = estimates / np.where(zero, 1.0, se)
    return np.where(zero, np.where(estimates == 0, 0.0, np.copysign(np.inf, estimates)), ratio)


@dataclass(frozen=True)
class Prediction:
    """Predicted response at given rows of the model matrix; every array has shape (rows,).

    Attributes
    ----------
    mean, se
        Fitted mean and its standard error.
    mean_low, mean_high
        Limits of the mean.
    new_low, new_high
        Limits of one further coupon at these settings.
    can_estimate
        False where the coupons do not determine the answer (a term left out is needed).
    """

    mean: Floats
    se: Floats
    mean_low: Floats
    mean_high: Floats
    new_low: Floats
    new_high: Floats
    can_estimate: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]


def predict_mean(fit: LeastSquaresFit, rows: ArrayLike, *, assurance: float | None = None) -> Prediction:
    """Predict at rows of the model matrix, shape (rows, terms), all columns of the fit included.

    Limits are missing (NaN) if the fit has no error estimate. Intervals hold one row at a time.

    References
    ----------
    Draper and Smith (1998), 3rd ed., sec. 3.1 and 5.2 (as in `fit_least_squares`).
    """
    level = fit.assurance if assurance is None else assurance
    check_assurance(level)
    wanted, _ = as_matrix(rows, fit.names)
    kept = wanted[:, fit.separable.kept]
    mean = kept @ fit.estimates
    variance = np.einsum("ij,jk,ik->i", kept, fit.unscaled, kept)
    if fit.error is None:
        se, half, half_new = (np.full(len(mean), np.nan) for _ in range(3))
    else:
        quantile = stats.t.ppf(0.5 + level / 2, fit.error.df)
        se = np.sqrt(fit.error.variance * variance)
        half = quantile * se
        half_new = quantile * np.sqrt(fit.error.variance * (1 + variance))
    return Prediction(
        mean=mean,
        se=se,
        mean_low=mean - half,
        mean_high=mean + half,
        new_low=mean - half_new,
        new_high=mean + half_new,
        can_estimate=fit.separable.can_estimate(wanted),
    )
