"""One term judged where batches share errors, such as drift over the order of making and curvature seen by centre
coupons: within batches, or with batch variances, never as if each coupon stood alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from doe.surfaces.classical.confounding import Floats, find_confounding
from doe.surfaces.classical.least_squares import LeastSquaresFit, find_pure_error, fit_least_squares
from doe.surfaces.classical.mixed import MixedFit, fit_mixed
from doe.surfaces.classical.terms import build_terms

Batches = Mapping[str, ArrayLike]

FEW = 3
"""Below so many spare batches a variance of batches is hardly known: a term is then judged within them if it can.

With two to spare, as in most of our own plans, Kenward and Roger's limits rest on about one degree of freedom: they
raise few false alarms and find next to nothing (150 simulated rounds of six plans).
"""

NO_SCATTER = "The coupons leave no scatter beside the settings to judge it by."

_LEAST_DF = 2  # t on one degree of freedom needs 13 standard errors: the mixed model cannot do worse


ORDER = "order made"
"""Name of the column that drift is read from."""


@dataclass(frozen=True)
class Judged:
    """One estimate beside batch errors.

    Attributes
    ----------
    estimate : float or None
        None where the coupons cannot tell the term from the others.
    note : str
        How it was judged, or why it was not, a full sentence.
    low, high, p : float or None
        None where the coupons cannot judge it.
    batches : tuple of str
        Groupings whose shared errors the interval counts or leaves out of the comparison.
    """

    estimate: float | None
    note: str
    low: float | None = None
    high: float | None = None
    p: float | None = None
    batches: tuple[str, ...] = ()


def telling_batches(batches: Batches | None, rows: int) -> dict[str, pd.Series]:
    """Groupings that can share an error: more than one batch, and some batch with more than one coupon.

    A single batch moves all coupons alike; a batch of one coupon is part of that coupon's own error.
    """
    found = {}
    for name, values in (batches or {}).items():
        labels = pd.Series(np.asarray(values, dtype=object).reshape(-1))
        if 1 < labels.nunique() < rows:
            found[name] = labels
    return found


def judge_term(
    X: Floats,
    tested: Floats,
    y: Floats,
    names: Sequence[str],
    name: str,
    batches: Mapping[str, pd.Series],
    *,
    assurance: float,
) -> Judged:
    """Coefficient of one column beside a model and the errors that batches share.

    Parameters
    ----------
    X : array, shape (coupons, terms)
    tested : array, shape (coupons,)
    y : array, shape (coupons,)
    names : sequence of str
        Of the columns of X.
    name : str
        Of the tested column.
    batches : mapping of str to labels, from `telling_batches`
    assurance : float
        Of the two-sided interval.

    Notes
    -----
    Batches with fewer than `FEW` to spare are held fixed: the term is then judged within them, which no batch error
    touches, however large. Where that leaves nothing to judge by, and for all other batches, the mixed model judges:
    Kenward and Roger's standard error on Satterthwaite's degrees of freedom.
    """
    indicators = {g: np.asarray(pd.get_dummies(labels), dtype=float) for g, labels in batches.items()}
    everything = np.column_stack([X, tested])
    kept = find_confounding(everything, [*names, name])
    for confounding in kept.confoundings:
        if confounding.term == name:
            return Judged(None, str(confounding))
    rank = len(kept.kept)
    scarce = [g for g, z in indicators.items() if np.linalg.matrix_rank(np.column_stack([everything, z])) - rank < FEW]
    if scarce:
        inside = _judge_within(X, tested, y, indicators, scarce, batches, assurance)
        if inside is not None:
            return inside
    if len(y) <= rank:
        return Judged(None, "No coupon is left to estimate the error from.")
    fit = fit_mixed(everything, y, batches, [*names, name], assurance=assurance)
    unseen = fit.unseen_errors(np.eye(rank)[-1])
    if unseen:
        return Judged(float(fit.estimates[-1]), f"It cannot be told from errors that {said(unseen)} share.")
    return _last_of(fit, f"Errors that {said(batches)} share are counted in", tuple(batches))


def _judge_within(
    X: Floats,
    tested: Floats,
    y: Floats,
    indicators: Mapping[str, Floats],
    scarce: Sequence[str],
    batches: Mapping[str, pd.Series],
    assurance: float,
) -> Judged | None:
    """Judged with the scarce batches as terms; None where they take the term or the coupons up."""
    fixed = np.column_stack([X, *(indicators[g] for g in scarce)])
    fixed = fixed[:, find_confounding(fixed).kept]
    whole = np.column_stack([fixed, tested])
    others = {g: labels for g, labels in batches.items() if g not in scarce}
    groups = np.column_stack([whole, *(indicators[g] for g in others)])
    rank = whole.shape[1]
    if np.linalg.matrix_rank(whole) < rank or len(y) - np.linalg.matrix_rank(groups) < _LEAST_DF:
        return None
    if find_confounding(whole).confoundings:
        return None
    way = f"Judged within {said(scarce)}"
    if others:
        fit = fit_mixed(whole, y, others, assurance=assurance)
        if fit.unseen_errors(np.eye(rank)[-1]):
            return None
        return _last_of(fit, f"{way}; errors that {said(others)} share are counted in", tuple(batches))
    return _last_of(fit_least_squares(whole, y, assurance=assurance), way, tuple(batches))


def _last_of(fit: MixedFit | LeastSquaresFit, way: str, batches: tuple[str, ...]) -> Judged:
    """The last term of a fit, as it judges it."""
    row = fit.coefficients.iloc[-1]
    if not row["se"] > 0:
        return Judged(float(row["estimate"]), NO_SCATTER)
    df = f"{row['df']:.2g}"
    note = f"{way}, on {df} degree{'' if df == '1' else 's'} of freedom."
    return Judged(float(row["estimate"]), note, float(row["low"]), float(row["high"]), float(row["p"]), batches)


def said(groupings: Sequence[str] | Mapping[str, object]) -> str:
    """Names of groupings for a sentence.

    Examples
    --------
    >>> said(["cure_batch", "press_batch"])
    'cure batches and press batches'
    """
    words = [name.replace("_", " ") for name in groupings]
    return " and ".join(f"{word}es" if word.endswith("batch") else word for word in words)


def _note(df: float, batches: Batches | None, of: str = "") -> str:
    uncounted = "" if batches else "; errors that a whole batch shares are not counted"
    return f"Judged on {df:g} degrees of freedom{of}{uncounted}."


def judge_drift(
    X: ArrayLike,
    y: ArrayLike,
    order: ArrayLike,
    names: Sequence[str] | None = None,
    *,
    batches: Batches | None = None,
    assurance: float = 0.95,
) -> Judged:
    """Add the order of making to a model and look at its slope: the change of the response from first to last coupon.

    Parameters
    ----------
    X : array, shape (coupons, terms)
        Model matrix; only a column of ones to look at centre coupons alone.
    y : array, shape (coupons,)
        Response.
    order : array, shape (coupons,)
        When each coupon was made: rank, or minutes since the first; two different places or more.
    names : sequence of str, optional
    batches : mapping of str to labels, each of shape (coupons,), optional
        Batch of each coupon by grouping (cure batch, press batch).
    assurance : float
        Of the two-sided interval.

    Returns
    -------
    Judged
        Settings being equal; `batches` are those whose shared errors cannot pass for drift.

    Notes
    -----
    A straight line only. Coupons made batch by batch share the batch's error, which looks like drift when there are
    few batches: with `batches` given it is judged within them or beside their variances (see `judge_term`), without
    them by ordinary least squares, which then alarms too often.

    References
    ----------
    N. R. Draper and H. Smith (1998), *Applied Regression Analysis*, 3rd ed., ch. 2 (residuals against
    time order, made a term of the model).

    Examples
    --------
    >>> drift = judge_drift([[1], [1], [1], [1]], [4.0, 3.9, 3.9, 3.6], [1, 6, 12, 20])
    >>> round(drift.estimate, 2)
    -0.37
    """
    matrix, response, when = (np.asarray(values, dtype=float) for values in (X, y, order))
    share = (when - when.min()) / np.ptp(when)
    shared = telling_batches(batches, len(matrix))
    columns = [f"x{j + 1}" for j in range(matrix.shape[1])] if names is None else names
    if shared:
        return judge_term(matrix, share, response, columns, ORDER, shared, assurance=assurance)
    fit = fit_least_squares(np.column_stack([matrix, share]), response, [*columns, ORDER], assurance=assurance)
    for confounding in fit.separable.confoundings:
        if confounding.term == ORDER:
            return Judged(None, str(confounding))
    row = fit.coefficients.iloc[-1]
    change = float(row["estimate"])
    if fit.error is None:
        return Judged(change, "No coupon is left to estimate the error from, so the change cannot be judged.")
    if fit.error.variance == 0:
        return Judged(change, NO_SCATTER)
    return Judged(change, _note(fit.error.df, batches), float(row["low"]), float(row["high"]), float(row["p"]))


def judge_curvature(
    coded: ArrayLike, y: ArrayLike, *, batches: Batches | None = None, assurance: float = 0.95
) -> Judged:
    """Mean of the corner coupons of a two-level plan minus mean of its centre coupons.

    Parameters
    ----------
    coded : array, shape (coupons, factors)
        Coded settings; rows of zeros are centre coupons, rows of -1 and +1 corners, at least one of each.
    y : array, shape (coupons,)
        Response.
    batches : mapping of str to labels, each of shape (coupons,), optional
        Batch of each coupon by grouping.
    assurance : float
        Of the two-sided interval of the difference.

    Notes
    -----
    The difference is the *sum* of all pure quadratic coefficients: a hump in one factor and a hollow
    in another can cancel. The error is pure error, from every repeated setting.
    Centre coupons often have batches of their own: with `batches` given the difference is judged beside batch errors
    (`judge_term`) and main effects and interactions of two factors, and it is that model's.

    References
    ----------
    D. C. Montgomery, *Design and Analysis of Experiments*, centre points in the 2^k chapter.
    """
    settings, response = np.asarray(coded, dtype=float), np.asarray(y, dtype=float)
    centre = (settings == 0).all(axis=1)
    n_centre, n_corner = int(centre.sum()), int((~centre).sum())
    difference = float(response[~centre].mean() - response[centre].mean())
    shared = telling_batches(batches, len(settings))
    if shared:
        names = [f"x{j + 1}" for j in range(settings.shape[1])]
        z = np.column_stack([np.asarray(pd.get_dummies(labels), dtype=float) for labels in shared.values()])
        terms = build_terms(names, "interactions")
        if np.linalg.matrix_rank(np.column_stack([terms.matrix(settings), centre, z])) > len(response) - 3:
            terms = build_terms(names, "main")
        found = judge_term(
            terms.matrix(settings),
            centre.astype(float),
            response,
            terms.names,
            "the centre",
            shared,
            assurance=assurance,
        )
        difference = difference if found.estimate is None else -found.estimate
        if found.low is None or found.high is None:
            return Judged(difference, found.note)
        return replace(found, estimate=difference, low=-found.high, high=-found.low)
    error = find_pure_error(settings, response)
    if error is None:
        return Judged(difference, "No setting was repeated, so the difference cannot be judged.")
    if error.variance == 0:
        return Judged(difference, "All replicates agree exactly, so the difference cannot be judged against them.")
    se = np.sqrt(error.variance * (1 / n_centre + 1 / n_corner))
    half = float(stats.t.ppf((1 + assurance) / 2, error.df) * se)
    f = difference**2 * n_centre * n_corner / (n_centre + n_corner) / error.variance
    note = _note(error.df, batches, " of pure error")
    return Judged(difference, note, difference - half, difference + half, float(stats.f.sf(f, 1, error.df)))
