"""Whether the response crept up or down over the order in which coupons were made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from doe.domain.errors import InputError
from doe.surfaces.classical.batch_errors import NO_SCATTER, Batches, judge_term, telling_batches, uncounted
from doe.surfaces.classical.inputs import as_matrix, as_vector
from doe.surfaces.classical.least_squares import fit_least_squares

ORDER = "order made"


@dataclass(frozen=True)
class Drift:
    """Change of the response from the first coupon made to the last, settings being equal.

    Attributes
    ----------
    change : float or None
        In the response's unit; None when it cannot be told from the settings, and `note` says so.
    low, high, p : float or None
        Interval and test; None where the coupons cannot judge the change.
    note : str
        How it was judged, or why it was not.
    batches : tuple of str
        Groupings whose shared errors cannot pass for drift: counted in, or left out by comparing within batches.
    """

    change: float | None
    low: float | None
    high: float | None
    p: float | None
    note: str
    batches: tuple[str, ...] = ()


def judge_drift(
    X: ArrayLike,
    y: ArrayLike,
    order: ArrayLike,
    names: Sequence[str] | None = None,
    *,
    batches: Batches | None = None,
    assurance: float = 0.95,
) -> Drift:
    """Add the order of making to a model and look at its slope.

    Parameters
    ----------
    X : array, shape (coupons, terms)
        Model matrix; only a column of ones to look at centre coupons alone.
    y : array, shape (coupons,)
        Response.
    order : array, shape (coupons,)
        When each coupon was made: rank, or minutes since the first.
    names : sequence of str, optional
    batches : mapping of str to labels, each of shape (coupons,), optional
        Batch of each coupon by grouping (cure batch, press batch).
    assurance : float
        Of the two-sided interval.

    Returns
    -------
    Drift

    Raises
    ------
    InputError
        If shapes disagree or all coupons have the same place in the order.

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
    >>> round(drift.change, 2)
    -0.37
    """
    matrix, columns = as_matrix(X, names)
    when = as_vector(order, len(matrix), "order")
    span = float(np.ptp(when)) if len(when) else 0.0
    if span == 0:
        raise InputError("order", "one and the same place", "at least two", "Give the order of making.")
    share = (when - when.min()) / span  # 0 first, 1 last: the slope is the change over the whole round
    shared = telling_batches(batches, len(matrix))
    if shared:
        found = judge_term(
            matrix, share, as_vector(y, len(matrix), "response"), columns, ORDER, shared, assurance=assurance
        )
        return Drift(found.estimate, found.low, found.high, found.p, found.note, found.counted)
    fit = fit_least_squares(np.column_stack([matrix, share]), y, [*columns, ORDER], assurance=assurance)
    for confounding in fit.confoundings:
        if confounding.term == ORDER:
            return Drift(None, None, None, None, str(confounding))
    row = fit.coefficients.iloc[-1]
    if fit.error is None:
        note = "No coupon is left to estimate the error from, so the change cannot be judged."
        return Drift(float(row["estimate"]), None, None, None, note)
    if (
        fit.error.variance == 0
    ):  # every score as the settings say: an interval of no width would call any rounding drift
        return Drift(float(row["estimate"]), None, None, None, NO_SCATTER)
    note = f"Judged on {fit.error.df:g} degrees of freedom{uncounted(batches)}."
    return Drift(float(row["estimate"]), float(row["low"]), float(row["high"]), float(row["p"]), note)
