"""Standard errors of the effects of a plan with batch errors at both machines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.domain.study import Study
from doe.plans.model import Model, term_names
from doe.plans.points import FloatArray
from doe.plans.power import smallest_effect
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
