"""Pure error from repeated settings, and lack of fit against it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from doe.domain.errors import InputError
from doe.surfaces.classical.inputs import as_matrix, as_vector
from doe.surfaces.classical.least_squares import ErrorEstimate, LeastSquaresFit


@dataclass(frozen=True)
class PureError:
    """Variation between coupons made at equal settings.

    Attributes
    ----------
    ss, df
        Sum of squares about the mean of each group of equal settings, and its degrees of freedom.
    variance : float or None
        ss / df; None when no setting was repeated.
    group : array of int, shape (coupons,)
        Which distinct setting each coupon belongs to.
    """

    ss: float
    df: int
    variance: float | None
    group: NDArray[np.intp]

    @property
    def estimate(self) -> ErrorEstimate | None:
        """As an error to judge effects by, or None without replicates."""
        return None if self.variance is None else ErrorEstimate(self.variance, self.df, "replicates")


def find_pure_error(settings: ArrayLike, y: ArrayLike) -> PureError:
    """Pure error from replicates: coupons whose rows of `settings` are equal (to 1e-9).

    Parameters
    ----------
    settings : array, shape (coupons, factors)
    y : array, shape (coupons,)

    Raises
    ------
    InputError
        If shapes disagree or a value is not finite.

    Notes
    -----
    Only true replicates count. Two scores of one coupon are not replicates, and coupons of one batch
    share their batch's error, so that pure error from them is too small.

    References
    ----------
    G. E. P. Box and N. R. Draper (2007), *Response Surfaces, Mixtures, and Ridge Analyses*, 2nd ed.,
    sec. 3.8 (from memory).
    """
    rows, _ = as_matrix(settings)
    response = as_vector(y, len(rows), "response")
    _, group = np.unique(np.round(rows, 9) + 0.0, axis=0, return_inverse=True)
    group = group.reshape(-1)
    sizes = np.bincount(group)
    means = np.bincount(group, weights=response) / sizes
    ss = float(np.sum((response - means[group]) ** 2))
    df = int(len(rows) - len(sizes))
    return PureError(ss=ss if df else 0.0, df=df, variance=ss / df if df else None, group=group)


@dataclass(frozen=True)
class LackOfFit:
    """Whether the model misses something the replicates would not explain.

    Attributes
    ----------
    lack_ss, lack_df, pure_ss, pure_df
        The residual sum of squares, split.
    f, p : float or None
        The F test; None when one of the two parts has no degrees of freedom, and `note` says which.
    """

    lack_ss: float
    lack_df: int
    pure_ss: float
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

    Raises
    ------
    InputError
        If coupons of different model rows have equal settings.

    Notes
    -----
    A large p is no proof of fit: with a handful of replicates the test misses a lot.

    References
    ----------
    D. C. Montgomery, *Design and Analysis of Experiments*, response-surface chapter; Draper and Smith
    (1998), 3rd ed., sec. 2.1.
    """
    pure = find_pure_error(settings, y)
    lack_df = fit.residual_df - pure.df
    lack_ss = max(fit.residual_ss - pure.ss, 0.0) if lack_df > 0 else 0.0
    if lack_df < 0:
        raise InputError(
            "settings",
            f"{pure.df} replicates for {fit.residual_df} residual degrees of freedom",
            "settings that tell all coupons of different model rows apart",
            "Give the settings of every factor and block of the model.",
        )
    if lack_df == 0 or pure.variance is None:
        note = (
            "No setting was repeated, so lack of fit cannot be judged."
            if pure.variance is None
            else "The model has a term for every distinct setting, so it cannot lack fit."
        )
        return LackOfFit(lack_ss, max(lack_df, 0), pure.ss, pure.df, None, None, note)
    if pure.variance == 0:
        note = "All replicates agree exactly, so lack of fit cannot be judged against them."
        return LackOfFit(lack_ss, lack_df, pure.ss, pure.df, None, None, note)
    f = lack_ss / lack_df / pure.variance
    p = float(stats.f.sf(f, lack_df, pure.df))
    note = f"Judged on {pure.df} degrees of freedom of pure error."
    return LackOfFit(lack_ss, lack_df, pure.ss, pure.df, float(f), p, note)
