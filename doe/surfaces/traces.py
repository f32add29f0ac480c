"""What each posterior draw says about each coupon and each prior: all that re-weighting the draws needs.

With it an answer can be asked again without one coupon, with one result turned round, or with a prior counted more or
less, without fitting again.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from doe.surfaces.contract import SurfaceModel, Traces

FloatArray = NDArray[np.float64]


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
