"""How likely each coupon's outcome is, given the logits of a sound print and of *over* against *under*; with slopes.

A coupon is spoiled by something else than heat (lapse) with a small probability, else it is sound or fails by heat. A
heat failure shows too much or too little heat, or rarely the wrong one of them; its symptom is sometimes put down to
other reasons, and a spoiled coupon's to heat.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

OTHER_SEEN = 0.8
"""Share of failures for other reasons whose symptom says so; the rest is split evenly between under and over."""

OTHER_BLAMED = 0.05
"""Share of heat failures whose symptom is put down to other reasons."""


def expit(x: FloatArray) -> FloatArray:
    """Logistic function, safe for any argument (tanh does not overflow)."""
    return np.asarray(0.5 + 0.5 * np.tanh(0.5 * x))


def log_expit(x: FloatArray) -> FloatArray:
    """Logarithm of the logistic function, safe for any argument (quicker than logaddexp)."""
    return np.asarray(np.minimum(x, 0.0) - np.log1p(np.exp(-np.abs(x))))


@dataclass(frozen=True)
class OutcomeSlopes:
    """Log probability of each coupon's outcome and its slopes.

    Attributes
    ----------
    value, logit, over : array, shape (draws, coupons)
        Log probability, and its slopes along the logits of a sound print and of *over*.
    lapse, wrong : array, shape (draws,)
        Slopes of the weighted sum along the shares of lapses and of wrong sides.
    """

    value: FloatArray
    logit: FloatArray
    over: FloatArray
    lapse: FloatArray
    wrong: FloatArray


class Outcomes:
    """What happened to the coupons, sorted so that passes and failures are looked at in one go each.

    A failure has probability ``a lapse + b heat_fail named``, with ``named`` the probability that its side is the one
    told. Where no side is told, a side that is told half and half whatever the heat (sign 0) gives a half, and ``b`` is
    doubled, so that one formula does for all.
    """

    def __init__(self, passed: NDArray[np.bool_], fail_kind: Mapping[str, NDArray[np.bool_]]) -> None:
        self._order = np.argsort(~passed, kind="stable")
        self._back = np.argsort(self._order)
        self.passes = int(passed.sum())
        stray, told = (1 - OTHER_SEEN) / 2, 1 - OTHER_BLAMED
        by_kind = {
            "under": (-1, stray, told),
            "over": (1, stray, told),
            "other": (0, OTHER_SEEN, 2 * OTHER_BLAMED),
            "unknown": (0, 1.0, 2.0),
        }
        table = np.zeros((3, len(passed)))
        for kind, numbers in by_kind.items():
            table[:, fail_kind[kind]] = np.array(numbers)[:, None]
        self._sign, self._by_lapse, self._by_heat = table[:, self._order[self.passes :]]

    def log_chance(self, eta: FloatArray, over: FloatArray, lapse: FloatArray, wrong: FloatArray) -> FloatArray:
        """Log probability of each coupon's outcome, shape (draws, coupons).

        Parameters
        ----------
        eta, over : array, shape (draws, coupons)
        lapse, wrong : array, shape (draws,)
        """
        good, bad = self._order[: self.passes], self._order[self.passes :]
        sound = np.log1p(-lapse)[:, None] + log_expit(eta[:, good])
        named = wrong[:, None] + expit(self._sign * over[:, bad]) * (1 - 2 * wrong)[:, None]
        heat_fail = expit(-eta[:, bad]) * (1 - lapse)[:, None]
        failed = np.log(self._by_lapse * lapse[:, None] + self._by_heat * heat_fail * named)
        return np.concatenate([sound, failed], axis=1)[:, self._back]

    def slopes(
        self, eta: FloatArray, over: FloatArray, lapse: FloatArray, wrong: FloatArray, weights: FloatArray
    ) -> OutcomeSlopes:
        """`log_chance` with its slopes, each coupon's slopes times its weight, shape (coupons,)."""
        good, bad = self._order[: self.passes], self._order[self.passes :]
        value, d_eta, d_over = np.empty_like(eta), np.empty_like(eta), np.zeros_like(over)

        logit = eta[:, good]
        value[:, good] = np.log1p(-lapse)[:, None] + log_expit(logit)
        d_eta[:, good] = expit(-logit) * weights[good]

        share, fail = expit(self._sign * over[:, bad]), expit(-eta[:, bad])
        plain = (1 - 2 * wrong)[:, None]
        named = wrong[:, None] + share * plain
        by_heat = self._by_heat * fail * (1 - lapse)[:, None]
        chance = self._by_lapse * lapse[:, None] + by_heat * named
        value[:, bad] = np.log(chance)
        pull = weights[bad] / chance
        heated = pull * by_heat
        d_eta[:, bad] = -heated * named * (1 - fail)
        d_over[:, bad] = heated * self._sign * share * (1 - share) * plain
        d_wrong = (heated * (1 - 2 * share)).sum(axis=1)
        d_lapse = (pull * (self._by_lapse - self._by_heat * fail * named)).sum(axis=1)
        return OutcomeSlopes(value, d_eta, d_over, d_lapse - weights[good].sum() / (1 - lapse), d_wrong)
