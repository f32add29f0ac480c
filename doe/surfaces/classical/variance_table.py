"""Analysis of variance of a least-squares fit, and lack of fit against pure error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from doe.domain.errors import InputError
from doe.surfaces.classical.inputs import as_matrix, as_vector
from doe.surfaces.classical.least_squares import ErrorEstimate, LeastSquaresFit


def analyse_variance(
    fit: LeastSquaresFit,
    sources: Sequence[str] | None = None,
    *,
    kind: Literal["sequential", "partial"] = "partial",
) -> pd.DataFrame:
    """Sums of squares a source, tested against the fit's error.

    Parameters
    ----------
    fit : LeastSquaresFit
    sources : sequence of str, optional
        One label a column of the model matrix; columns with the same label (dummies of a block,
        all squares ...) form one source. Default: every term is its own source.
    kind : {"sequential", "partial"}
        After the sources before it, or after all others. The same in an orthogonal plan.

    Returns
    -------
    DataFrame
        source, df, ss, ms, f, p; the rows ``residual`` and ``total`` last. The constant is left out
        (the total is about the mean). `f`, `p` are missing where there is no error estimate.

    References
    ----------
    Draper and Smith (1998), 3rd ed., ch. 6 (extra sum of squares).
    """
    labels = list(fit.names if sources is None else sources)
    if len(labels) != len(fit.names):
        raise InputError("sources", f"{len(labels)} labels", f"{len(fit.names)}", "Label every column.")
    kept_labels = [labels[j] for j in fit.separable.kept]
    constant = None if fit.constant_column is None else kept_labels[fit.constant_column]
    order = [label for label in dict.fromkeys(kept_labels) if label != constant]
    rows = []
    for label in order:
        chosen = np.asarray([i for i, name in enumerate(kept_labels) if name == label], dtype=int)
        if kind == "sequential":
            ss = float(fit.sequential_ss[chosen].sum())
        else:
            b = fit.estimates[chosen]
            ss = float(b @ np.linalg.solve(fit.unscaled[np.ix_(chosen, chosen)], b))
        rows.append({"source": label, "df": len(chosen), "ss": ss})
    table = pd.DataFrame(rows, columns=["source", "df", "ss"])
    table["ms"] = table["ss"] / table["df"]
    table["f"], table["p"] = np.nan, np.nan
    if fit.error is not None and len(table):
        if fit.error.variance > 0:
            table["f"] = table["ms"] / fit.error.variance
        else:
            table["f"] = np.where(table["ms"] > 0, np.inf, 0.0)
        table["p"] = stats.f.sf(table["f"], table["df"], fit.error.df)
    df = fit.residual_df
    total_df = fit.coupons - int(fit.has_constant)
    foot = pd.DataFrame(
        {
            "source": ["residual", "total"],
            "df": [df, total_df],
            "ss": [fit.residual_ss, fit.total_ss],
            "ms": [fit.residual_ss / df if df else np.nan, np.nan],
            "f": np.nan,
            "p": np.nan,
        }
    )
    return pd.concat([table, foot], ignore_index=True) if len(table) else foot


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
