"""What each posterior draw says about each coupon and each prior: all that re-weighting the draws needs.

With it an answer can be asked again without one coupon, with one result turned round, or with a prior counted more or
less, without fitting again.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.surfaces.window_model import WindowDraws, WindowModel

FloatArray = NDArray[np.float64]

PRIOR_GROUPS: dict[str, tuple[str, ...]] = {
    "height": ("peak_logit",),
    "place": ("place",),
    "width": ("steepness", "trade"),
    "sides": ("split", "heat", "wrong_side"),
    "stray": ("lapse",),
    "hand": ("hand_top", "hand_depth", "hand_place", "hand_sd"),
    "levels": ("level_logit", "level_place", "level_hand"),
    "batches": ("batch_sd",),
}
"""Parameters whose priors are looked at together. Effects of single batches belong to the data, not to the priors."""


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
        Posterior spread of each parameter of a group as a share of its prior spread, shape (parameters of the group,).
    """

    coupons: NDArray[np.str_]
    fit: FloatArray
    passes: FloatArray
    fails: FloatArray
    priors: dict[str, FloatArray]
    left: dict[str, FloatArray]


def trace(model: WindowModel, xi: FloatArray, coupons: NDArray[np.str_]) -> Traces:
    """Traces of the draws ``xi``, shape (draws, parameters), of a model."""
    draws = model.unpack(xi)
    fit = model.coupon_log_likelihood(xi, draws) * model.weights
    rows = model.hand.rows
    fit[:, rows] += model.hand_log_likelihood(xi, draws) * model.weights[rows]
    passes = _had_all_passed(model).coupon_log_likelihood(xi, draws)
    fails = np.log(-np.expm1(np.minimum(passes, -1e-12)))
    priors, left = {}, {}
    for group, names in PRIOR_GROUPS.items():
        columns = np.concatenate([np.arange(s.start, s.stop) for s in (model.slices[name] for name in names)])
        if len(columns):
            priors[group] = -0.5 * (xi[:, columns] ** 2).sum(axis=1)
            for name in names:
                part = xi[:, model.slices[name]]
                if part.shape[1]:
                    left[name] = part.std(axis=0)
    return Traces(coupons, fit, passes, fails, priors, left)


def _had_all_passed(model: WindowModel) -> WindowModel:
    """The same model of coupons that all passed: its likelihood is the chance to pass."""
    other = copy(model)
    other.passed = np.ones(len(model.passed), dtype=bool)
    other.fail_kind = {kind: np.zeros(len(model.passed), dtype=bool) for kind in model.fail_kind}
    return other


def prior_draws(model: WindowModel, count: int, *, rng: np.random.Generator) -> WindowDraws:
    """Draws of the model before any coupon."""
    return model.unpack(rng.standard_normal((count, model.parameters)))
