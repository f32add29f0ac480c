"""Profile limits and tests of Firth's logistic regression: all together, and one alone where that does not settle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from doe.surfaces.classical.firth_likelihood import FEW_ROWS, FirthData, Maximum, climb, follow
from doe.surfaces.classical.firth_stack import (
    cholesky_each,
    climb_each,
    look_each,
    newton_each,
    promising,
    shorten,
    slopes_each,
    values_each,
)
from doe.surfaces.classical.inputs import Floats

_PRECISE = 1e-11  # of a profile point's log-likelihood, relative
_FAR_LOGIT = 200.0  # a profile still too likely when a logit has moved this far is taken as unbounded
_ROUNDS = 30  # of the joint search; a limit that has not settled by then is searched for alone
_STARTS, _MORE_STARTS = 4, 8  # from which a limit is tried again; where several peaks were found
_MOVES = 5  # times a limit may be moved outward


@dataclass(frozen=True)
class _Limit:
    """A profile limit: its value (maybe infinite) and the fit there."""

    value: float
    point: Maximum


class Profiles(NamedTuple):
    """What the profiles say of each term, in arrays of shape (terms,)."""

    low: Floats
    high: Floats
    chi2: Floats
    several_peaks: NDArray[np.bool_]


@dataclass(frozen=True)
class _Aim:
    """What all limits have in common: data, top, its Hessian's inverse, the root of the likelihood ratio wanted."""

    data: FirthData
    best: Maximum
    se: Floats
    target: float
    along: Floats | None  # row j: move of all coefficients along the profile of j; None where the top is none
    spread: Floats  # the root of the likelihood ratio rises by one for each of it
    pairs: Floats | None  # see `slopes_each`

    @property
    def inside(self) -> float:
        """The value above which a fit counts as inside a limit."""
        return self.best.value - (self.target - 1e-4) ** 2 / 2


@dataclass
class _Limits:
    """Profile limits: term and side (-1 or 1) of each, its value (maybe infinite), and the fit there, one a row."""

    term: NDArray[np.int_]
    side: Floats
    value: Floats
    fits: Floats


def find_profiles(data: FirthData, best: Maximum, hessian: Floats, se: Floats, assurance: float) -> Profiles:
    """Profile limits and tests of every term.

    All limits are searched for together. The penalised profile has one peak for modest models, but several when there
    are nearly as many terms as coupons. So every limit is tried again from the other limits' fits; where one of them
    is still inside, the search goes on outward from it. That errs to the wide side.

    Parameters
    ----------
    hessian : array, shape (terms, terms)
        Negative second derivatives at the top.
    se : array, shape (terms,)
        Rough standard errors, the first stride of a search.
    """
    p = len(best.beta)
    if not p:
        return Profiles(np.empty(0), np.empty(0), np.empty(0), np.empty(0, dtype=np.bool_))
    aim = _set_aim(data, best, hessian, se, float(np.sqrt(chdtri(1, 1 - assurance))))
    aims = np.arange(2 * p)
    limits = _Limits(aims // 2, np.where(aims % 2, 1.0, -1.0), np.zeros(2 * p), np.tile(best.beta, (2 * p, 1)))
    _search(aim, limits, aims, np.zeros(2 * p))
    gathered = np.vstack([best.beta, np.zeros(p), limits.fits])
    chi2 = _test_terms(aim, gathered)
    moved = _look_again(aim, limits, gathered)
    if moved.any():  # tests may have several tops too: try the plain way from the estimate as well
        alone = np.array([_profile(data, best, j, 0.0).value for j in range(p)])
        chi2 = np.minimum(chi2, np.maximum(2 * (best.value - alone), 0))
    return Profiles(limits.value[::2], limits.value[1::2], chi2, moved[::2] | moved[1::2])


def _set_aim(data: FirthData, best: Maximum, hessian: Floats, se: Floats, target: float) -> _Aim:
    along, spread = None, se
    if not np.isnan(cholesky_each(hessian[None])).any():
        covariance = np.linalg.inv(hessian)
        variance = np.diag(covariance)
        along, spread = covariance / variance[:, None], np.sqrt(variance)
    pairs = None if len(data.X) <= FEW_ROWS else np.zeros_like(hessian)
    if pairs is not None and along is not None:
        # The double sum of the penalty costs most and changes least among many rows: that at the top serves all.
        top = look_each(data, (data.X @ best.beta)[None])
        pairs = 2 * (hessian - slopes_each(data, top, pairs)[1][0])
    return _Aim(data, best, se, target, along, spread, pairs)


def _look_again(aim: _Aim, limits: _Limits, gathered: Floats) -> NDArray[np.bool_]:
    """Try the limits from other starts, and search on outward while a fit inside is found there or beyond.

    Where there are several peaks each limit is also searched for alone, from the estimate: that takes longer strides,
    and may cross a gap at whose edge the joint search stopped. The outermost limit found is kept.

    Returns
    -------
    array of bool
        The limits that moved.
    """
    moved = np.zeros(len(limits.term), dtype=np.bool_)
    alone, gathered = False, np.vstack([gathered, _leap(aim, limits, aim.target * aim.se[limits.term])])
    for _ in range(_MOVES):
        beyond = _move_beyond(aim, limits, gathered[2:])
        further, inside = _move_on(aim, limits, gathered, _MORE_STARTS if alone else _STARTS)
        moved[beyond] = moved[further] = True
        gathered = np.vstack([gathered, limits.fits[beyond], limits.fits[further], inside])
        if moved.any() and not alone:
            alone = True
            gathered = np.vstack([gathered, _search_alone(aim, limits)])
        elif not len(beyond) and not len(further):
            break
    return moved


def _search_alone(aim: _Aim, limits: _Limits) -> Floats:
    """Search for each limit by itself from the estimate, and keep it where it lies farther out; the fits there."""
    fits = []
    for k in np.flatnonzero(np.isfinite(limits.value)).tolist():
        j, side = int(limits.term[k]), float(limits.side[k])
        found = _profile_limit(aim.data, aim.best, j, side * float(aim.se[j]), aim.target)
        fits.append(found.point.beta)
        if side * (found.value - limits.value[k]) > 1e-6 * aim.spread[j]:
            limits.value[k], limits.fits[k] = found.value, found.point.beta
    return np.array(fits).reshape(-1, len(aim.best.beta))


def _leap(aim: _Aim, limits: _Limits, reach: Floats) -> Floats:
    """Fits inside found at these distances from the estimate, where a limit lies nearer."""
    best, p = aim.best.beta, len(aim.best.beta)
    distance = np.abs(limits.value - best[limits.term])
    out = np.flatnonzero(distance < reach)
    if aim.along is None or not len(out):
        return np.empty((0, p))
    term, shift = limits.term[out], (limits.side * reach)[out, None]
    ahead = best + shift * aim.along[term]
    plain, stretched = np.tile(best, (len(out), 1)), limits.fits[out]
    for starts in (plain, stretched):
        starts[np.arange(len(out)), term] = best[term] + shift[:, 0]
    each = np.stack([ahead, plain, stretched])
    likely = values_each(aim.data, each.reshape(-1, p) @ aim.data.X.T).reshape(3, -1)
    starts = each[likely.argmax(axis=0), np.arange(len(out))]
    fits, values = climb_each(aim.data, starts, term, np.full(len(out), aim.inside), pairs=aim.pairs)
    return np.asarray(fits[values >= aim.inside])


def _move_beyond(aim: _Aim, limits: _Limits, fits: Floats) -> NDArray[np.int_]:
    """Search on outward where a fit inside lies beyond a limit; which of the limits moved.

    A fit as likely as those at the limits shows that no coefficient's limit lies within its own.
    """
    ahead = limits.side[:, None] * (fits.T[limits.term] - limits.value[:, None])
    farthest = ahead.argmax(axis=1)
    moving = np.flatnonzero(np.isfinite(limits.value) & (ahead.max(axis=1) > 1e-4 * aim.spread[limits.term]))
    if len(moving):
        limits.fits[moving] = fits[farthest[moving]]
        term = limits.term[moving]
        _search(aim, limits, moving, np.abs(limits.fits[moving, term] - aim.best.beta[term]))
    return moving


def _move_on(aim: _Aim, limits: _Limits, gathered: Floats, count: int) -> tuple[NDArray[np.int_], Floats]:
    """Climb at each limit from so many promising fits, and search on outward where one leads inside.

    Returns
    -------
    The limits that moved, and the fits inside, one a row.
    """
    count = min(count, len(gathered))
    aims = np.flatnonzero(np.isfinite(limits.value))
    starts = promising(aim.data, limits.term[aims], limits.value[aims], gathered, count)
    again = np.repeat(aims, count)
    wanted = np.full(len(again), aim.inside)
    fits, values = climb_each(aim.data, starts, limits.term[again], wanted, known=limits.fits[again], pairs=aim.pairs)
    each = values.reshape(-1, count)
    rows = np.flatnonzero(each.max(axis=1) >= aim.inside)
    further = aims[rows]
    if len(further):
        limits.fits[further] = fits.reshape(len(aims), count, -1)[rows, each[rows].argmax(axis=1)]
        _search(aim, limits, further, np.abs(limits.value[further] - aim.best.beta[limits.term[further]]))
    return further, np.asarray(fits[values >= aim.inside])


def _test_terms(aim: _Aim, gathered: Floats) -> Floats:
    """Likelihood-ratio statistics of 'this coefficient is zero', each from four starts.

    All zero; the top moved along its profile, or not, whichever is the more likely; the two most promising fits. The
    best fit of each is climbed to its end alone, in case it stopped short.
    """
    beta, p = aim.best.beta, len(aim.best.beta)
    plain = np.tile(beta, (p, 1))
    np.fill_diagonal(plain, 0.0)
    if aim.along is not None:
        ahead = beta - beta[:, None] * aim.along
        np.fill_diagonal(ahead, 0.0)
        likely = values_each(aim.data, np.vstack([plain, ahead]) @ aim.data.X.T).reshape(2, -1)
        plain = np.where((likely[1] > likely[0])[:, None], ahead, plain)
    others = promising(aim.data, np.arange(p), np.zeros(p), gathered, 2).reshape(p, 2, p)
    starts = np.stack([plain, np.zeros_like(plain), others[:, 0], others[:, 1]])
    fits, values = climb_each(
        aim.data, starts.reshape(-1, p), np.tile(np.arange(p), 4), np.full(4 * p, -np.inf), pairs=aim.pairs
    )
    best = values.reshape(4, p).argmax(axis=0)
    tops = [
        _profile(aim.data, Maximum(fits.reshape(4, p, p)[best[j], j], -np.inf, True), j, 0.0).value for j in range(p)
    ]
    return np.asarray(np.maximum(2 * (aim.best.value - np.array(tops)), 0))


def _search(aim: _Aim, limits: _Limits, aims: NDArray[np.int_], reached: Floats) -> None:
    """Find limits, outward from their fits, which lie `reached` from the estimate and inside.

    The joint search is Newton's method for all coefficients at once (Venzon and Moolgavkar 1988); limits for which it
    does not settle are searched for one by one, within a bracket.
    """
    left = aims if aim.along is None else _search_jointly(aim, limits, aims, reached)
    distance = dict(zip(aims.tolist(), reached.tolist(), strict=True))
    for k in left.tolist():
        j, side = int(limits.term[k]), float(limits.side[k])
        inside = None
        if distance[k] > 0:
            inside = Maximum(limits.fits[k], aim.data.penalised(limits.fits[k]), True)
        stride = side * float(aim.se[j])
        found = _profile_limit(aim.data, aim.best, j, stride, aim.target, inside=inside, reached=distance[k])
        limits.value[k], limits.fits[k] = found.value, found.point.beta


def _search_jointly(aim: _Aim, limits: _Limits, aims: NDArray[np.int_], reached: Floats) -> NDArray[np.int_]:
    """Solve 'the likelihood ratio is that of a limit, and no free coefficient has a slope' for each limit.

    Every step is Newton's for the free coefficients together with Newton's on the root of the profile likelihood
    ratio, sqrt(2 (top - profile)), which is nearly a straight line in the coefficient held. A limit counts as found
    only where the free part of the Hessian is that of a top, the profile falls outward, and what was `reached` lies
    further in.

    Returns
    -------
    array of int
        The limits not found.
    """
    data, top, X = aim.data, aim.best.value, aim.data.X
    assert aim.along is not None
    estimate = aim.best.beta[limits.term]
    betas = limits.fits[aims]
    near = betas.copy()  # the last fit from which a step was taken
    first = reached == 0
    step = limits.side[aims, None] * aim.target * aim.spread[limits.term[aims], None] * aim.along[limits.term[aims]]
    betas[first] += shorten(step[first], X)
    active = np.arange(len(aims))
    for _ in range(_ROUNDS):
        k = aims[active]
        term, side = limits.term[k], limits.side[k]
        looks = look_each(data, betas[active] @ X.T)
        if not np.isfinite(looks.value).all():
            break
        score, hessian = slopes_each(data, looks, aim.pairs)
        free, along, curved = newton_each(score, hessian, looks.information, term)
        gain = np.einsum("mp,mp->m", free, score)
        fall = -side * np.einsum("mp,mp->m", along, score)
        root = np.sqrt(2 * np.maximum(top - looks.value - gain / 2, 0))
        good = curved & (fall > 0) & (root > 0)
        ahead = np.where(good, (aim.target - root) * root / np.where(good, fall, 1.0), 0.0)
        now = side * (betas[active, term] - estimate[k])
        there = now + ahead
        # So near that Newton's step squares the rest away: no look there.
        done = good & (np.abs(root - aim.target) < 1e-5) & (gain < 1e-8) & (there > reached[active])
        limits.value[k[done]] = (estimate[k] + side * there)[done]
        limits.fits[k[done]] = betas[active[done]]
        there = np.clip(there, (now + reached[active]) / 2, 3 * np.maximum(now, reached[active]))
        step = shorten(free + (side * (there - now))[:, None] * along, X)
        here = betas[active]
        betas[active] = np.where(good[:, None], here + step, (here + near[active]) / 2)
        near[active[good]] = here[good]
        active = active[~done]
        if not len(active):
            break
    return aims[active]


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
