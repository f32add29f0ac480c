"""How likely each coupon's outcome is, given the logits of a sound print and of *over* against *under*; with slopes.

A coupon is spoiled by something else than heat (lapse) with a small probability, else it is sound or fails by heat. A
heat failure shows too much or too little heat, or rarely the wrong one of them; its symptom is sometimes put down to
other reasons, and a spoiled coupon's to heat.

A symptom may point to several sides; how much to each stands beside the coupon (`doe.domain.results`). A coupon that
passes so far and still waits for a check is one of two: sound, or a failure that only that check will show (`late`).

A grade says how far a coupon lies from the line between pass and fail: the outcomes are ordered, with a cut on each
side of that line (cumulative logits, McCullagh 1980, JRSS B 42, 109-142). A coupon without a grade has no cut.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.domain.outcome import BAD, CLEAN, JUST, SLIGHT

FloatArray = NDArray[np.float64]

OTHER_SEEN = 0.8
"""Share of failures for other reasons whose symptom says so; the rest is split evenly between under and over."""

OTHER_BLAMED = 0.05
"""Share of heat failures whose symptom is put down to other reasons."""

SEEN = np.array(
    [
        [(1 - OTHER_SEEN) / 2, 1 - OTHER_BLAMED, 0.0],
        [(1 - OTHER_SEEN) / 2, 0.0, 1 - OTHER_BLAMED],
        [OTHER_SEEN, OTHER_BLAMED, OTHER_BLAMED],
    ]
)
"""Chance that a coupon shows too little heat, too much, or something else (rows), where it was spoiled by something
else, by too little heat, by too much (columns)."""


def expit(x: FloatArray) -> FloatArray:
    """Logistic function, safe for any argument (tanh does not overflow)."""
    share = np.asarray(0.5 * x)
    np.tanh(share, out=share)  # in place: fresh memory for each step takes three times as long
    share *= 0.5
    share += 0.5
    return share


def log_expit(x: FloatArray) -> FloatArray:
    """Logarithm of the logistic function, safe for any argument (quicker than logaddexp)."""
    return np.asarray(np.minimum(x, 0.0) - np.log1p(np.exp(-np.abs(x))))


def chances_seen(points: FloatArray) -> FloatArray:
    """Chance of what was seen where something else, too little or too much heat spoiled a coupon, (coupons, 3)."""
    told = points.sum(axis=1, keepdims=True)
    return np.asarray(points @ SEEN + (told == 0))


@dataclass(frozen=True)
class OutcomeSlopes:
    """Log probability of each coupon's outcome and its slopes.

    Attributes
    ----------
    value, logit, over : array, shape (draws, coupons)
        Log probability, and its slopes along the logits of a sound print and of *over*.
    width : array, shape (draws, coupons)
        Slope along the distance of the coupon's cut from the line between pass and fail; 0 without a grade.
    late : array, shape (draws, coupons)
        Slope of the weighted log probability along the share of failures that a check to come would show.
    lapse, wrong : array, shape (draws,)
        Slopes of the weighted sum along the shares of lapses and of wrong sides.
    """

    value: FloatArray
    logit: FloatArray
    over: FloatArray
    width: FloatArray
    late: FloatArray
    lapse: FloatArray
    wrong: FloatArray


class Outcomes:
    """What happened to the coupons, sorted so that passes and failures are looked at in one go each.

    A failure has probability ``a lapse + heat_fail (b + c over)``, with ``over`` the probability that it shows too much
    heat; a pass ``(1 - lapse) (zone + d heat_fail)``, with ``d`` above 0 where a wash is still to come.

    Parameters
    ----------
    passed : bool array, shape (coupons,)
    points : array, shape (coupons, 3)
        How much a failure's symptom points to too little heat, too much, and other reasons; 0 where it says nothing.
    grade : array of str, shape (coupons,)
    waits : bool array, shape (coupons,)
        Passes so far, with a check such as a wash still to come.
    """

    def __init__(
        self, passed: NDArray[np.bool_], points: FloatArray, grade: NDArray[np.str_], waits: NDArray[np.bool_]
    ) -> None:
        self._order = np.argsort(~passed, kind="stable")
        self._back = np.argsort(self._order)
        self.passes = int(passed.sum())
        table = chances_seen(points)
        table[grade != "", 0] /= 2  # what something else spoiled may look slight or bad
        by_lapse, under, over = table[self._order[self.passes :]].T
        self._by_lapse, self._by_heat, self._by_over = by_lapse, under, over - under
        self._waits = waits[self._order[: self.passes]]
        self._some_late = bool(self._waits.any())
        self._graded = bool((grade != "").any())
        self._near = np.isin(grade, (JUST, SLIGHT))[self._order]
        self._far = np.isin(grade, (CLEAN, BAD))[self._order]

    def log_chance(
        self,
        eta: FloatArray,
        over: FloatArray,
        lapse: FloatArray,
        wrong: FloatArray,
        width: FloatArray,
        late: FloatArray,
    ) -> FloatArray:
        """Log probability of each coupon's outcome, shape (draws, coupons).

        Parameters
        ----------
        eta, over : array, shape (draws, coupons)
        lapse, wrong : array, shape (draws,)
        width : array, shape (draws, coupons)
            How far the cut on the coupon's side lies from the line between pass and fail, in logits; above 0. Not
            looked at where no coupon is graded.
        late : array, shape (draws, coupons)
            Share of the failures that pass until the check to come; looked at where a coupon waits for one.
        """
        good, bad = self._order[: self.passes], self._order[self.passes :]
        sound = np.log1p(-lapse)[:, None] + self._so_far(eta[:, good], width[:, good], late[:, good])[0]
        named = wrong[:, None] + expit(over[:, bad]) * (1 - 2 * wrong)[:, None]
        heat_fail = np.exp(self._zone(-eta[:, bad], width[:, bad], slice(self.passes, None))) * (1 - lapse)[:, None]
        failed = np.log(self._by_lapse * lapse[:, None] + heat_fail * (self._by_heat + self._by_over * named))
        return np.concatenate([sound, failed], axis=1)[:, self._back]

    def _so_far(self, eta: FloatArray, width: FloatArray, late: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Log probability of each pass but for lapses, (draws, passes), and the share of it that is sound."""
        zone = self._zone(eta, width, slice(0, self.passes))
        if not self._some_late:
            return zone, np.ones((1, 1))
        sound = np.exp(zone)
        whole = sound + np.where(self._waits, late, 0.0) * expit(-eta)
        return np.log(whole), sound / whole

    def _zone(self, toward: FloatArray, width: FloatArray, rows: slice) -> FloatArray:
        """Log probability of the grade's zone, (draws, those rows); ``toward`` is the logit of the coupon's side."""
        if not self._graded:
            return log_expit(toward)
        near, far = self._near[rows], self._far[rows]
        value = log_expit(np.where(far, toward - width, toward))
        if near.any():
            value[:, near] += log_expit(width - toward)[:, near] + np.log(-np.expm1(-width[:, near]))
        return value

    def _zone_slopes(self, toward: FloatArray, width: FloatArray, rows: slice) -> tuple[FloatArray, FloatArray]:
        """Slopes of `_zone` along the logit of the coupon's side and along the width."""
        if not self._graded:
            return expit(-toward), np.zeros((1, 1))
        near, far = self._near[rows], self._far[rows]
        along = expit(np.where(far, width - toward, -toward))
        wider = np.where(far, -along, 0.0)
        if near.any():
            short = expit(toward - width)[:, near]
            along[:, near] -= short
            wider[:, near] = short + 1 / np.expm1(width[:, near])
        return along, wider

    def slopes(
        self,
        eta: FloatArray,
        over: FloatArray,
        lapse: FloatArray,
        wrong: FloatArray,
        width: FloatArray,
        late: FloatArray,
        weights: FloatArray,
    ) -> OutcomeSlopes:
        """`log_chance` with its slopes, each coupon's slopes times its weight, shape (coupons,)."""
        good, bad = self._order[: self.passes], self._order[self.passes :]
        sound, failing = slice(0, self.passes), slice(self.passes, None)
        value, d_eta = np.empty_like(eta), np.empty_like(eta)
        d_over = np.zeros(over.shape, order="F")  # failures are columns of it
        d_width = np.zeros_like(eta) if self._graded else np.broadcast_to(0.0, eta.shape)

        so_far, is_sound = self._so_far(eta[:, good], width[:, good], late[:, good])
        value[:, good] = np.log1p(-lapse)[:, None] + so_far
        along, so_wide = self._zone_slopes(eta[:, good], width[:, good], sound)
        d_late = np.broadcast_to(0.0, eta.shape)
        if self._some_late:
            along = is_sound * along - (1 - is_sound) * expit(eta[:, good])
            d_late = np.zeros_like(eta)
            d_late[:, good] = self._waits * weights[good] * np.exp(log_expit(-eta[:, good]) - so_far)
        d_eta[:, good] = along * weights[good]

        share = expit(over[:, bad])
        fail = np.exp(self._zone(-eta[:, bad], width[:, bad], failing))
        plain = (1 - 2 * wrong)[:, None]
        seen = self._by_heat + self._by_over * (wrong[:, None] + share * plain)
        alive = fail * (1 - lapse)[:, None]
        chance = self._by_lapse * lapse[:, None] + alive * seen
        value[:, bad] = np.log(chance)
        pull = weights[bad] / chance
        heated = pull * alive
        along, wider = self._zone_slopes(-eta[:, bad], width[:, bad], failing)
        told = heated * seen
        d_eta[:, bad] = -told * along
        if self._graded:
            d_width[:, good], d_width[:, bad] = is_sound * so_wide * weights[good], told * wider
        d_over[:, bad] = heated * self._by_over * share * (1 - share) * plain
        d_wrong = (heated * self._by_over * (1 - 2 * share)).sum(axis=1)
        d_lapse = (pull * (self._by_lapse - fail * seen)).sum(axis=1)
        d_lapse = d_lapse - weights[good].sum() / (1 - lapse)
        return OutcomeSlopes(value, d_eta, d_over, d_width, d_late, d_lapse, d_wrong)
