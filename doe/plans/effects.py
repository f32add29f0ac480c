"""Standard errors of the effects of a plan with batch errors at both machines."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.stats import nct, t

from doe.domain.study import Study
from doe.plans.model import Model, term_names
from doe.plans.points import FloatArray
from doe.plans.variance import design_matrix, rank_of

BATCH_RATIO = 0.5
"""Batch-to-batch variance over coupon-to-coupon variance, at each machine, taken before there are data (common
practice, no source)."""

ALPHA, POWER = 0.10, 0.80


@dataclass(frozen=True)
class Effect:
    """What a plan can show of one factor's main effect, low end to high end of its range.

    Attributes
    ----------
    factor : str
    standard_error : float
        In residual standard deviations, batch errors included; ``inf`` where it cannot be estimated.
    error_df : float
        Degrees of freedom of its error: batches for a factor that is set once a batch, else coupons.
    smallest : float
        Effect shown with a power of 0.8 by a two-sided test at level 0.1, in residual standard deviations.
    """

    factor: str
    standard_error: float
    error_df: int
    smallest: float


def main_effects(study: Study, coupons: pd.DataFrame, model: Model) -> tuple[Effect, ...]:
    """Smallest main effects likely seen, in the order of the factors; those of named factors are the largest step.

    Generalised least squares with the batches of both machines as random whole plots (strip plot). A factor that is
    constant within the batches of a machine is judged against those batches.
    """
    X = design_matrix(study, coupons, model)
    names = term_names(study, model)
    n = len(X)
    cure, press = _indicator(coupons["cure_batch"]), _indicator(coupons["press_batch"])
    stroke = _indicator(coupons["stroke"])
    V = np.eye(n) + BATCH_RATIO * (cure @ cure.T + press @ press.T)
    # the half-width of the whole matters, not its split: a stroke's own error is not known beforehand
    strata = {"cure": cure, "press": press, "coupon": np.hstack([cure, press])}
    estimable = rank_of(X) == X.shape[1]
    covariance = np.linalg.inv(X.T @ np.linalg.solve(V, X)) if estimable else np.full((X.shape[1],) * 2, np.inf)
    found = []
    for f in study.factors:
        at = [i for i, term in enumerate(names) if term == (f.name,)]
        where = next((stage for stage in ("cure", "press") if _constant_within(X[:, at], strata[stage])), "coupon")
        if where == "coupon":
            df = n - rank_of(np.hstack([X, strata["coupon"]]))
            if f.stage == "press" and stroke.shape[1] < n:
                # coupons of one stroke share its press settings: strokes, not coupons, are compared
                df = min(df, stroke.shape[1] - rank_of(_within(X, stroke)))
        else:
            df = strata[where].shape[1] - rank_of(_within(X, strata[where]))
        error = _largest_step(covariance, at, f.is_categorical) if estimable else float("inf")
        found.append(Effect(f.name, error, max(df, 0), smallest_effect(error, df, alpha=ALPHA, power=POWER)))
    return tuple(found)


def _indicator(labels: pd.Series) -> FloatArray:
    values = labels.to_numpy()
    return np.asarray((values[:, None] == np.unique(values)[None, :]).astype(float))


def _constant_within(columns: FloatArray, batches: FloatArray) -> bool:
    means = batches @ ((batches.T @ columns) / batches.sum(axis=0)[:, None])
    return batches.shape[1] < len(columns) and bool(np.allclose(means, columns))


def _within(X: FloatArray, groups: FloatArray) -> FloatArray:
    """Columns that are constant within groups, one row a group."""
    means = (groups.T @ X) / groups.sum(axis=0)[:, None]
    constant = np.isclose(groups @ means, X).all(axis=0)
    return np.asarray(means[:, constant])


def _largest_step(covariance: FloatArray, at: list[int], categorical: bool) -> float:
    block = covariance[np.ix_(at, at)]
    if not categorical:
        return float(2 * np.sqrt(block[0, 0]))  # from -1 to +1 is two coded units
    table = np.vstack([np.eye(len(at)), -np.ones(len(at))])
    steps = (table[:, None, :] - table[None, :, :]).reshape(-1, len(at))
    return float(np.sqrt(np.einsum("ip,pq,iq->i", steps, block, steps).max()))


def smallest_effect(standard_error: float, df: float, *, alpha: float = 0.10, power: float = 0.80) -> float:
    """Effect that a two-sided t test at level alpha shows with this power; ``inf`` without error degrees of freedom.

    Parameters
    ----------
    standard_error : float
        Of the effect, in the effect's unit, for instance residual standard deviations.
    df : float
        Error degrees of freedom.
    alpha, power : float

    Examples
    --------
    A two-level plan of 16 coupons and 8 error degrees of freedom, in standard deviations of a coupon:

    >>> round(smallest_effect(2 / 16**0.5, 8, alpha=0.05, power=0.93674), 3)
    2.0
    """
    if df < 1 or not math.isfinite(standard_error):
        return math.inf
    return standard_error * _needed_shift(df, alpha, power)


def _power(shift: float, df: float, alpha: float) -> float:
    limit = float(t.ppf(1 - alpha / 2, df))
    # beyond a shift of 5 the far tail is below 1e-8, and SciPy's value of it may be NaN
    far_tail = float(nct.cdf(-limit, df, shift)) if shift < 5 else 0.0
    return float(nct.sf(limit, df, shift)) + far_tail


@lru_cache(maxsize=256)
def _needed_shift(df: float, alpha: float, power: float) -> float:
    # one degree of freedom needs a shift of about 8 at the usual level
    return float(brentq(lambda shift: _power(shift, df, alpha) - power, 0.0, 40.0, xtol=1e-8))
