"""Tests and predictions from a mixed model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from doe.domain.errors import InputError
from doe.surfaces.classical.inputs import Floats, as_matrix, check_assurance
from doe.surfaces.classical.least_squares import Prediction
from doe.surfaces.classical.mixed import MixedFit


@dataclass(frozen=True)
class ContrastTest:
    """An F test that some combinations of terms are zero: f on df and error_df, with its p.

    `scale` is Kenward and Roger's factor, already in `f` (1 for a single contrast).
    """

    f: float
    df: int
    error_df: float
    p: float
    scale: float


def judge_contrasts(fit: MixedFit, contrasts: ArrayLike) -> ContrastTest:
    """Test that every row of `contrasts` times the estimates is zero.

    Parameters
    ----------
    fit : MixedFit
    contrasts : array, shape (rows, kept terms)
        Linearly independent rows over the kept terms.

    Returns
    -------
    ContrastTest

    Raises
    ------
    InputError
        If the rows are not independent.

    References
    ----------
    M. G. Kenward and J. H. Roger (1997), *Biometrics* 53(3), 983-997, sec. 3: scaled F whose first two
    moments match; exact for balanced split plots.
    """
    L, _ = as_matrix(np.atleast_2d(np.asarray(contrasts, dtype=float)), fit.coefficients["term"].tolist())
    q = len(L)
    if q == 0 or np.linalg.matrix_rank(L) < q:
        raise InputError("contrasts", f"{q} rows", "independent rows", "Leave out the repeated ones.")
    value = L @ fit.estimates
    covariance = L @ fit.covariance @ L.T
    s = fit.spread
    if not np.any(s.variances):
        return ContrastTest(np.inf if np.any(value) else 0.0, q, float(s.rows_df), 0.0 if np.any(value) else 1.0, 1.0)
    f = float(value @ np.linalg.solve(covariance, value)) / q
    if q == 1:
        scale, error_df = 1.0, float(s.degrees(L)[0])
    else:
        scale, error_df = _match_moments(fit, L)
    return ContrastTest(scale * f, q, error_df, float(stats.f.sf(scale * f, q, error_df)), scale)


def _match_moments(fit: MixedFit, L: Floats) -> tuple[float, float]:
    """Kenward and Roger's scale and denominator degrees of freedom for q > 1 contrasts.

    The symbols are those of their paper. Where the approximation breaks down (moments that no F has),
    the smallest Satterthwaite degrees of freedom of the contrasts stands in.
    """
    s, q = fit.spread, len(L)
    theta = L.T @ np.linalg.solve(L @ s.phi @ L.T, L)
    parts = np.array([theta @ s.phi @ bend @ s.phi for bend in s.bends])
    traces = np.trace(parts, axis1=1, axis2=2)
    a1 = float(traces @ s.weights @ traces)
    a2 = float(np.einsum("kl,kab,lba->", s.weights, parts, parts))
    safe = float(s.degrees(L).min())
    if a2 <= 0:
        return 1.0, float(s.rows_df)
    b = (a1 + 6 * a2) / (2 * q)
    g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
    below = 3 * q + 2 * (1 - g)
    c1, c2, c3 = g / below, (q - g) / below, (q + 2 - g) / below
    if a2 >= q or c2 * b >= 1 or c3 * b >= 1:
        return 1.0, safe
    mean = 1 / (1 - a2 / q)
    variance = (2 / q) * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
    rho = variance / (2 * mean**2)
    if q * rho <= 1:
        return 1.0, safe
    m = 4 + (q + 2) / (q * rho - 1)
    return m / (mean * (m - 2)), min(m, float(s.rows_df))


def judge_sources(fit: MixedFit, sources: Sequence[str] | None = None) -> pd.DataFrame:
    """Test each source of the fixed part, after all others.

    Parameters
    ----------
    fit : MixedFit
    sources : sequence of str, optional
        One label a column of the model matrix; equal labels are tested together. Default: each term.

    Returns
    -------
    DataFrame
        source, df, error_df, f, p. The constant is left out if its label is ``"constant"``.
    """
    labels = list(fit.names if sources is None else sources)
    if len(labels) != len(fit.names):
        raise InputError("sources", f"{len(labels)} labels", f"{len(fit.names)}", "Label every column.")
    kept = [labels[j] for j in fit.separable.kept]
    unit = np.eye(len(kept))
    rows = []
    for label in dict.fromkeys(name for name in kept if name != "constant"):
        found = judge_contrasts(fit, unit[[name == label for name in kept]])
        rows.append({"source": label, "df": found.df, "error_df": found.error_df, "f": found.f, "p": found.p})
    return pd.DataFrame(rows, columns=["source", "df", "error_df", "f", "p"])


def predict_mixed(fit: MixedFit, rows: ArrayLike, *, assurance: float | None = None) -> Prediction:
    """Predict at rows of the model matrix, shape (rows, terms), for a batch not seen before.

    The `new` limits are for one further score in new batches of every grouping: coupon error and all
    batch errors included. Intervals hold one row at a time.
    """
    level = fit.assurance if assurance is None else assurance
    check_assurance(level)
    wanted, _ = as_matrix(rows, fit.names)
    kept = wanted[:, fit.separable.kept]
    mean = kept @ fit.estimates
    variance = np.einsum("ij,jk,ik->i", kept, fit.covariance, kept)
    half = stats.t.ppf(0.5 + level / 2, fit.spread.degrees(kept)) * np.sqrt(variance)
    total = variance + fit.spread.variances.sum()
    half_new = stats.t.ppf(0.5 + level / 2, fit.spread.degrees(kept, extra=1.0)) * np.sqrt(total)
    return Prediction(
        mean=mean,
        se=np.sqrt(variance),
        mean_low=mean - half,
        mean_high=mean + half,
        new_low=mean - half_new,
        new_high=mean + half_new,
        can_estimate=fit.separable.can_estimate(wanted),
    )
