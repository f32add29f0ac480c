"""Weights of two models by how well each predicts coupons left out."""

from __future__ import annotations

import numpy as np
from scipy.optimize import minimize_scalar

from doe.domain.coding import FloatArray


def leave_one_out(coupon_fit: FloatArray) -> FloatArray:
    """Weights of the draws without each coupon, not normalised; both shapes are (draws, coupons).

    1/likelihood, truncated at the square root of the number of draws times their mean (Ionides 2008, J. Comput. Graph.
    Statist. 17, 295-311).
    """
    weights = np.exp(coupon_fit.min(axis=0) - coupon_fit)
    return np.asarray(np.minimum(weights, weights.mean(axis=0) * np.sqrt(len(weights))))


def left_out(coupon_fit: FloatArray) -> FloatArray:
    """Log predictive probability of each coupon from the others, shape (coupons,).

    Parameters
    ----------
    coupon_fit : array, shape (draws, coupons)
        Log likelihood of each coupon.
    """
    weights = leave_one_out(coupon_fit)
    return np.asarray(np.log((weights * np.exp(coupon_fit)).sum(axis=0) / weights.sum(axis=0)))


def stacking_weight(first: FloatArray, second: FloatArray) -> float:
    """Weight of the second of two models that predicts left-out coupons best, 0 to 1.

    Stacking (Yao, Vehtari, Simpson and Gelman 2018, Bayesian Analysis 13, 917-1007) of two log predictive densities,
    each of shape (coupons,), with a Dirichlet(2, 2) prior that keeps the weight from the ends.
    """

    def loss(w: float) -> float:
        mixed = np.logaddexp(np.log1p(-w) + first, np.log(w) + second).sum()
        return -float(mixed + np.log(w * (1 - w)))

    return float(minimize_scalar(loss, bounds=(1e-4, 1 - 1e-4), method="bounded").x)
