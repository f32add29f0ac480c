"""Ordinary least squares of one response on a model matrix, with everything needed to doubt it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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
    coefficients : DataFrame
        One row a kept term: term, estimate, se, t, p, low, high. Without an error estimate the last
        five are missing, and `notes` says so.
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
    coefficients: pd.DataFrame
    error: ErrorEstimate | None
    unscaled: Floats
    fitted: Floats
    residuals: Floats
    leverage: Floats
    coupons: int
    residual_ss: float
    residual_df: int
    residual_sd: float | None
    total_ss: float
    has_constant: bool
    constant_column: int | None
    r2: float | None
    r2_adjusted: float | None
    press: float | None
    r2_press: float | None
    sequential_ss: Floats
    partial_ss: Floats
    separable: Separable
    assurance: float
    notes: tuple[str, ...]

    @property
    def estimates(self) -> Floats:
        """Estimates of the kept terms, in column order."""
        return self.coefficients["estimate"].to_numpy(dtype=float)

    @property
    def confoundings(self) -> tuple[Confounding, ...]:
        """Terms the coupons cannot separate from those kept."""
        return self.separable.confoundings

    def estimate_of(self, name: str) -> float:
        """Estimate of one kept term by name."""
        rows = self.coefficients.loc[self.coefficients["term"] == name, "estimate"]
        if rows.empty:
            raise InputError("term", name, ", ".join(self.coefficients["term"]), "Pick a fitted term.")
        return float(rows.iloc[0])


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
    n = matrix.shape[0]
    response = as_vector(y, n, "response")
    if n < 1:
        raise InputError("coupons", 0, "1 or more", "Score at least one coupon first.")
    separable = find_confounding(matrix, columns)
    design = matrix[:, separable.kept]
    rank = design.shape[1]
    Q, R = np.linalg.qr(design)
    scores = Q.T @ response  # orthogonal contrasts: their squares are the sequential sums of squares
    R_inverse = np.linalg.solve(R, np.eye(rank))
    estimates = R_inverse @ scores
    unscaled = R_inverse @ R_inverse.T
    fitted = design @ estimates
    residuals = response - fitted
    leverage = np.clip(np.einsum("ij,ij->i", Q, Q), 0.0, 1.0)

    df = n - rank
    # Sums of squares that are only rounding error count as zero, or a perfect fit would get a noise level.
    rounding = n * float(1e-14 * np.abs(response).max(initial=0.0)) ** 2
    residual_ss = _drop_rounding(float(residuals @ residuals) if df else 0.0, rounding)
    ones_left = np.ones(n) - Q @ Q.sum(axis=0)
    has_constant = bool(np.linalg.norm(ones_left) < 1e-8 * np.sqrt(n))
    total = response - response.mean() if has_constant else response
    total_ss = _drop_rounding(float(total @ total), rounding)
    notes = [str(c) for c in separable.confoundings]
    if df == 0:
        notes.append("The model has as many terms as coupons: its fit says nothing about the error.")
    judged_by = error or (ErrorEstimate(residual_ss / df, df, "model") if df else None)
    if judged_by is None:
        notes.append("No error estimate: effects have no intervals. Replicates or fewer terms would give one.")

    press, r2_press = None, None
    if np.all(leverage < 1 - 1e-9):
        press = float(np.sum((residuals / (1 - leverage)) ** 2))
        r2_press = 1 - press / total_ss if total_ss > 0 else None
    else:
        exact = int(np.sum(leverage >= 1 - 1e-9))
        notes.append(f"{exact} of {n} coupons are fitted exactly (leverage 1), so leave-one-out is undefined.")
    r2 = 1 - residual_ss / total_ss if total_ss > 0 else None
    total_df = n - int(has_constant)
    adjusted = None if r2 is None or df == 0 else 1 - (1 - r2) * total_df / df

    return LeastSquaresFit(
        names=columns,
        coefficients=_coefficient_table(
            [columns[j] for j in separable.kept], estimates, unscaled, judged_by, assurance
        ),
        error=judged_by,
        unscaled=unscaled,
        fitted=fitted,
        residuals=residuals,
        leverage=leverage,
        coupons=n,
        residual_ss=residual_ss,
        residual_df=df,
        residual_sd=float(np.sqrt(residual_ss / df)) if df else None,
        total_ss=total_ss,
        has_constant=has_constant,
        constant_column=next((j for j in range(rank) if np.ptp(design[:, j]) == 0.0), None),
        r2=r2,
        r2_adjusted=adjusted,
        press=press,
        r2_press=r2_press,
        sequential_ss=scores**2,
        partial_ss=estimates**2 / np.diag(unscaled),
        separable=separable,
        assurance=assurance,
        notes=tuple(notes),
    )


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
