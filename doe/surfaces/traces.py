"""What each posterior draw says about each coupon and each prior: all that re-weighting the draws needs.

With it an answer can be asked again without one coupon, with one result turned round, or with a prior counted more or
less, without fitting again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.surfaces.contract import SurfaceModel

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Traces:
    """Per draw: log probabilities of results and log densities of priors.

    Attributes
    ----------
    coupons : array of str, shape (coupons,)
        This study's coupons, then those of an earlier one.
    fit : array, shape (draws, coupons)
        Log likelihood of what happened to each coupon, hand-feel included, times what the coupon counts for.
    passes, fails : array, shape (draws, coupons)
        Log probability that the coupon passes its checks, and that it fails them in whatever way.
    priors : mapping of str to array, shape (draws,)
        Log prior density of each group of parameters that the model has, up to a constant.
    left : mapping of str to array
        Posterior spread of each parameter behind a quantity (`SurfaceModel.quantities`) as a share of its prior spread.
    """

    coupons: NDArray[np.str_]
    fit: FloatArray
    passes: FloatArray
    fails: FloatArray
    priors: dict[str, FloatArray]
    left: dict[str, FloatArray]


def trace(model: SurfaceModel, xi: FloatArray, coupons: NDArray[np.str_]) -> Traces:
    """Traces of the draws ``xi``, shape (draws, parameters), of a model."""
    fit = model.coupon_log_likelihood(xi) * model.weights
    rows = model.hand.rows
    fit[:, rows] += model.hand_log_likelihood(xi) * model.weights[rows]
    passes = model.pass_log_chance(xi)
    fails = np.log(-np.expm1(np.minimum(passes, -1e-12)))
    priors = {
        group: -0.5 * (xi[:, columns] ** 2).sum(axis=1) for group, columns in model.prior_groups.items() if len(columns)
    }
    left = {quantity: xi[:, columns].std(axis=0) for quantity, columns in model.quantities.items() if len(columns)}
    return Traces(coupons, fit, passes, fails, priors, left)
