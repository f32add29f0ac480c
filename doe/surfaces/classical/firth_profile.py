"""Profile limits and tests of Firth's logistic regression."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from doe.surfaces.classical.firth_likelihood import FEW_ROWS, FirthData, Maximum, climb, follow
from doe.surfaces.classical.inputs import Floats

_PRECISE = 1e-11  # of a profile point's log-likelihood, relative
_FAR_LOGIT = 200.0  # a profile still too likely when a logit has moved this far is taken as unbounded


@dataclass(frozen=True)
class _Limit:
    """A profile limit: its value (maybe infinite), the fit there, and whether a better one was found."""

    value: float
    point: Maximum
    moved: bool = False


def tabulate_profiles(
    data: FirthData, best: Maximum, names: Sequence[str], se: Floats, assurance: float
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Estimates with profile limits and tests; and the terms whose profile has several peaks.

    The penalised profile has one peak for modest models, but several when there are nearly as many
    terms as coupons. So every limit is tried again from the other limits' fits; where one of them is
    still inside, the search goes on outward from it. That errs to the wide side.
    """
    target = float(np.sqrt(stats.chi2.ppf(assurance, 1)))
    keys = [(j, sign) for j in range(len(names)) for sign in (-1.0, 1.0)]
    limits = {(j, sign): _profile_limit(data, best, j, sign * se[j], target) for j, sign in keys}
    gathered = [best.beta, np.zeros(len(names)), *(limit.point.beta for limit in limits.values())]
    for j, sign in keys:
        limits[j, sign] = _look_again(
            data, best, j, stride=sign * se[j], target=target, limit=limits[j, sign], gathered=gathered
        )
    tests = []
    for j in range(len(names)):
        zero = max(
            (_profile(data, near, j, 0.0).value for near in (best, Maximum(np.zeros(len(names)), 0.0, True))),
        )
        tests.append(max(2 * (best.value - zero), 0.0))
    table = pd.DataFrame(
        {
            "term": list(names),
            "estimate": best.beta,
            "se": se,
            "low": [limits[j, -1.0].value for j in range(len(names))],
            "high": [limits[j, 1.0].value for j in range(len(names))],
            "chi2": tests,
            "p": stats.chi2.sf(tests, 1),
        }
    )
    peaks = tuple(names[j] for j in range(len(names)) if limits[j, -1.0].moved or limits[j, 1.0].moved)
    return table, peaks


def _look_again(
    data: FirthData,
    best: Maximum,
    j: int,
    *,
    stride: float,
    target: float,
    limit: _Limit,
    gathered: Sequence[Floats],
) -> _Limit:
    """Try a limit from other starts, and search on outward while one of them is still inside."""
    for _ in range(5):
        if not np.isfinite(limit.value):
            return limit
        starts = np.array(gathered)
        starts[:, j] = limit.value
        promising = np.argsort(-data.penalised_each(starts), kind="stable")[:4]
        free = np.flatnonzero(np.arange(len(best.beta)) != j)
        inside = best.value - (target - 1e-4) ** 2 / 2
        found = max((_reach(data, starts[i], free, inside) for i in promising), key=lambda point: point.value)
        if found.value < inside:
            return limit
        farther = _profile_limit(data, best, j, stride, target, inside=found, reached=abs(limit.value - best.beta[j]))
        limit = _Limit(farther.value, farther.point, True)
    return limit


def _reach(data: FirthData, start: Floats, free: NDArray[np.int_], wanted: float) -> Maximum:
    """The top near `start`, or some point on the way where that top is clearly lower than `wanted`."""
    found = data.look(data.X @ start)
    return Maximum(start, -np.inf, False) if found is None else climb(data, start, found, free, wanted=wanted)


def _profile(data: FirthData, near: Maximum, j: int, value: float) -> Maximum:
    """Best penalised fit with coefficient j held at `value`, starting from a profile point nearby."""
    free = np.flatnonzero(np.arange(len(near.beta)) != j)
    plain = near.beta.copy()
    plain[j] = value
    start, found = plain, data.look(data.X @ plain)
    if near.slopes is not None and len(free):
        ahead = near.beta + (value - near.beta[j]) * follow(near.slopes, j)
        ahead[j] = value
        further = data.look(data.X @ ahead)
        if further is not None and (found is None or further.value > found.value):
            start, found = ahead, further
    if found is None:
        return Maximum(start, -np.inf, False)
    known = near.slopes.penalty if near.slopes is not None and len(data.X) > FEW_ROWS else None
    return climb(data, start, found, free, penalty=known, settled=_PRECISE)


def _root(best: Maximum, point: Maximum) -> float:
    """Signed root of the likelihood ratio of a profile point (without its sign)."""
    return float(np.sqrt(2 * max(best.value - point.value, 0.0)))


def _profile_limit(
    data: FirthData,
    best: Maximum,
    j: int,
    stride: float,
    target: float,
    *,
    inside: Maximum | None = None,
    reached: float = 0.0,
) -> _Limit:
    """Where the root of the profile likelihood ratio reaches `target`, along `stride`.

    The root, sqrt(2 (top - profile)), is nearly a straight line in the coefficient, so Newton's method
    is quick; its slope needs no further fit, since the profile's slope is the score of coefficient j.
    Far out the profile need not be concave: a bracket guards every step. If the root is still below
    the target when some coupon's logit has moved by `_FAR_LOGIT`, there is no limit.
    """
    sign = float(np.sign(stride))
    estimate = float(best.beta[j])
    far = _FAR_LOGIT / max(float(np.abs(data.X[:, j]).max()), 1e-300)
    point = best if inside is None else inside  # the last profile point known to lie inside the limit
    low, high = reached, np.inf  # distances from the estimate
    distance = min(max(target * abs(stride), 1.05 * reached), far)
    trial = point
    for _ in range(100):
        trial = _profile(data, point, j, estimate + sign * distance)
        root = _root(best, trial)
        if abs(root - target) < 1e-8:
            break
        fall = _fall(trial, j, sign)
        if abs(root - target) < 1e-5 and fall > 0:  # so near that Newton's step squares it away: no fit there
            distance -= (root - target) * root / fall
            break
        if root < target:
            if distance >= far:
                return _Limit(sign * np.inf, trial)
            point, low = trial, distance
        else:
            high = distance
        if high - low < 1e-10 * (abs(estimate) + high):
            break
        distance = _next_distance(distance, root, target, fall, (low, min(high, far)))
        if not np.isfinite(high):
            distance = min(max(distance, 1.05 * low), 3 * low, far)
    return _Limit(estimate + sign * distance, trial)


def _fall(point: Maximum, j: int, sign: float) -> float:
    """How fast the profile falls per unit of distance; 0 if that cannot be told."""
    return 0.0 if point.slopes is None else max(-sign * float(point.slopes.score[j]), 0.0)


def _next_distance(distance: float, root: float, target: float, fall: float, bracket: tuple[float, float]) -> float:
    """Newton's step on the root, whose slope is fall / root; the middle of the bracket if it leaves it."""
    low, high = bracket
    if fall > 0 and root > 0:
        newton = distance - (root - target) * root / fall
        if low < newton < high:
            return newton
    return low + (high - low) / 2
