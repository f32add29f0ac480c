"""Curvature seen by centre coupons: whether they lie off the plane through the corners."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from doe.domain.errors import InputError
from doe.surfaces.classical.batch_errors import Batches, judge_term, telling_batches, uncounted
from doe.surfaces.classical.inputs import Floats, as_matrix, as_vector, check_assurance
from doe.surfaces.classical.least_squares import ErrorEstimate
from doe.surfaces.classical.pure_error import find_pure_error
from doe.surfaces.classical.terms import build_terms


@dataclass(frozen=True)
class Curvature:
    """Whether the centre coupons lie off the plane through the corners.

    Attributes
    ----------
    difference : float
        Mean of the corner coupons minus mean of the centre coupons; with batches the mixed model's.
    ss : float
        Sum of squares of the plain difference of the means, on one degree of freedom.
    error : ErrorEstimate or None
    low, high : float or None
        Interval of the difference.
    f, p : float or None
        None where the coupons cannot judge it; `note` says why.
    batches : tuple of str
        Groupings whose shared errors the interval counts.
    """

    difference: float
    ss: float
    corner_coupons: int
    centre_coupons: int
    error: ErrorEstimate | None
    low: float | None
    high: float | None
    f: float | None
    p: float | None
    note: str
    batches: tuple[str, ...] = ()


def judge_curvature(
    coded: ArrayLike, y: ArrayLike, *, batches: Batches | None = None, assurance: float = 0.95
) -> Curvature:
    """Compare centre coupons with corner coupons of a two-level plan.

    Parameters
    ----------
    coded : array, shape (coupons, factors)
        Coded settings; rows of zeros are centre coupons, rows of -1 and +1 corners. Others are ignored.
    y : array, shape (coupons,)
        Response.
    batches : mapping of str to labels, each of shape (coupons,), optional
        Batch of each coupon by grouping.
    assurance : float
        Of the two-sided interval of the difference.

    Returns
    -------
    Curvature

    Raises
    ------
    InputError
        If there is no centre coupon or no corner coupon.

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
    check_assurance(assurance)
    settings, _ = as_matrix(coded)
    response = as_vector(y, len(settings), "response")
    centre = np.all(np.abs(settings) < 1e-9, axis=1)
    corner: NDArray[np.bool_] = np.all(np.abs(np.abs(settings) - 1) < 1e-9, axis=1)
    n_centre, n_corner = int(centre.sum()), int(corner.sum())
    if n_centre == 0 or n_corner == 0:
        raise InputError(
            "coupons",
            f"{n_centre} centre and {n_corner} corner coupons",
            "at least one of each",
            "Add centre coupons to the plan to see curvature.",
        )
    difference = float(response[corner].mean() - response[centre].mean())
    ss = difference**2 * n_centre * n_corner / (n_centre + n_corner)
    used = centre | corner
    labels = {name: np.asarray(values, dtype=object).reshape(-1)[used] for name, values in (batches or {}).items()}
    shared = telling_batches(labels, int(used.sum()))
    if shared:
        return _curvature_in_batches(
            settings[used], response[used], centre[used], shared, assurance, counts=(n_corner, n_centre)
        )
    error = find_pure_error(settings[used], response[used]).estimate
    if error is None or error.variance == 0:
        note = (
            "No setting was repeated, so the difference cannot be judged."
            if error is None
            else "All replicates agree exactly, so the difference cannot be judged against them."
        )
        return Curvature(difference, ss, n_corner, n_centre, error, None, None, None, None, note)
    se = np.sqrt(error.variance * (1 / n_centre + 1 / n_corner))
    half = float(stats.t.ppf((1 + assurance) / 2, error.df) * se)
    f = ss / error.variance
    note = f"Judged on {error.df:g} degrees of freedom of pure error{uncounted(batches)}."
    p = float(stats.f.sf(f, 1, error.df))
    return Curvature(difference, ss, n_corner, n_centre, error, difference - half, difference + half, float(f), p, note)


def _curvature_in_batches(
    settings: Floats,
    y: Floats,
    centre: NDArray[np.bool_],
    batches: dict[str, pd.Series],
    assurance: float,
    *,
    counts: tuple[int, int],
) -> Curvature:
    n_corner, n_centre = counts
    names = [f"x{j + 1}" for j in range(settings.shape[1])]
    z = np.column_stack([np.asarray(pd.get_dummies(labels), dtype=float) for labels in batches.values()])
    terms = build_terms(names, "interactions")
    if np.linalg.matrix_rank(np.column_stack([terms.matrix(settings), centre, z])) > len(y) - 3:
        terms = build_terms(names, "main")
    found = judge_term(
        terms.matrix(settings), centre.astype(float), y, terms.names, "the centre", batches, assurance=assurance
    )
    plain = float(y[~centre].mean() - y[centre].mean())
    difference = plain if found.estimate is None else -found.estimate
    ss = plain**2 * n_centre * n_corner / (n_centre + n_corner)
    if found.p is None or found.low is None or found.high is None:
        return Curvature(difference, ss, n_corner, n_centre, None, None, None, None, None, found.note)
    return Curvature(
        difference, ss, n_corner, n_centre, None, -found.high, -found.low, found.f, found.p, found.note, found.counted
    )
