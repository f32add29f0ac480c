"""The penalised likelihood of Firth's regression at many points at once: one call of NumPy serves a whole stack.

A stack of m points is held in arrays whose first axis counts the points: coefficients (m, terms), logits (m, rows),
matrices (m, terms, terms). For matrices as small as these a call costs more than its arithmetic, so a stack of fifty
points takes little longer than five points one after the other.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from doe.surfaces.classical.firth_likelihood import MANY_ROWS, FirthData
from doe.surfaces.classical.inputs import Floats

MAX_STEP = 5.0  # no step may move a coupon's logit by more than this
_ROUNDS = 60
_CHUNK = 32_000  # numbers an array may have to stay in the processor's cache
_SAME = 0.1  # logits that differ by less belong to the same top
_CLOSE = 0.01  # a gain below which the quadratic model is trusted to within a factor of four


class Looks(NamedTuple):
    """The penalised log-likelihood at m points (minus infinity where it has none) and what its slopes start from."""

    value: Floats  # (m,)
    logits: Floats  # (m, rows)
    passing: Floats  # (m, rows)
    weight: Floats  # (m, rows)
    information: Floats  # (m, terms, terms)

    def pick(self, which: NDArray[np.int_] | NDArray[np.bool_]) -> Looks:
        """Some of the points."""
        return Looks(*(part[which] for part in self))


def look_each(data: FirthData, logits: Floats) -> Looks:
    """`FirthData.look` at the logits of many points, shape (m, rows)."""
    tail = np.exp(-np.abs(logits))
    likelier = 1 / (1 + tail)
    rarer = tail * likelier
    weight = data.trials * (rarer * likelier)
    information = _weigh(data, weight)
    root = cholesky_each(information)
    value = logits @ data.passes - (np.maximum(logits, 0) - np.log(likelier)) @ data.trials
    value += np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    value[np.isnan(value)] = -np.inf
    return Looks(value, logits, np.where(logits > 0, likelier, rarer), weight, information)


def values_each(data: FirthData, logits: Floats) -> Floats:
    """Only the values of `look_each`, for any number of points."""
    size = max(1, _CHUNK // max(logits.shape[1], data.X.shape[1] ** 2))
    values = np.empty(len(logits))
    for i in range(0, len(logits), size):
        values[i : i + size] = look_each(data, logits[i : i + size]).value
    return values


def _weigh(data: FirthData, weight: Floats) -> Floats:
    """X' diag(w) X for each row of weights."""
    return (weight @ data.products).take(data.triangle, axis=1)


def cholesky_each(matrices: Floats) -> Floats:
    """Lower roots of a stack of matrices, shape (m, p, p); not-a-number for those not positive definite."""
    try:
        return np.asarray(np.linalg.cholesky(matrices), dtype=np.float64)
    except np.linalg.LinAlgError:  # NumPy does not say which one failed
        if len(matrices) == 1:
            return np.full_like(matrices, np.nan)
    roots = np.full_like(matrices, np.nan)
    likely = np.linalg.slogdet(matrices)[0] > 0
    if likely.all():  # an even number of wrong signs somewhere
        likely[len(likely) // 2 :] = False
        roots[~likely] = cholesky_each(matrices[~likely])
    if likely.any():
        roots[likely] = cholesky_each(matrices[likely])
    return roots


def slopes_each(data: FirthData, looks: Looks, pairs: Floats | None) -> tuple[Floats, Floats]:
    """Scores (m, terms) and negative Hessians (m, terms, terms).

    `pairs` is the double sum of the penalty's second derivatives (see `FirthData.penalty`) where it is known well
    enough from elsewhere; without it the Hessian is exact. With very many rows the information stands in for it.
    """
    X, p = data.X, looks.passing
    inverse = _solve_each(looks.information, np.broadcast_to(np.eye(X.shape[1]), looks.information.shape))
    spread = _times(inverse, X)  # I^-1 x_i, shape (m, terms, rows)
    own = np.einsum("mpn,np->mn", spread, X)  # q_ii
    leverage = looks.weight * own
    score = (data.passes - data.trials * p + leverage * (0.5 - p)) @ X
    if len(X) > MANY_ROWS:
        return score, looks.information
    hessian = _weigh(data, looks.weight - 0.5 * leverage * (1 - 6 * p * (1 - p)))
    if pairs is None:
        q = X @ spread
        q *= q
        bent = X.T * (looks.weight * (1 - 2 * p))[:, None]
        pairs = bent @ q @ bent.transpose(0, 2, 1)
    return score, hessian + 0.5 * pairs


def _solve_each(matrices: Floats, sides: Floats) -> Floats:
    """Solve each system; the shortest solution where rounding leaves a matrix singular, as it may far out."""
    try:
        return np.asarray(np.linalg.solve(matrices, sides), dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.pinv(matrices, hermitian=True) @ sides, dtype=np.float64)


def _times(matrices: Floats, X: Floats) -> Floats:
    """Each matrix times X', as one product."""
    m, p = matrices.shape[:2]
    return (matrices.reshape(m * p, p) @ X.T).reshape(m, p, len(X))


def newton_each(
    score: Floats, hessian: Floats, information: Floats, held: NDArray[np.int_]
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Newton's step of the free coefficients of each point; how they follow the one held; whether that is a top.

    Returns
    -------
    step : array, shape (m, terms)
        0 for the coefficient held. Where the free part of the Hessian has a wrong sign the information stands in.
    along : array, shape (m, terms)
        Move of all coefficients along the profile for each unit of the one held, which moves by 1.
    curved : array of bool, shape (m,)
        Whether the free part of the Hessian is that of a top.
    """
    m = np.arange(len(held))
    sides = np.stack([score, -hessian[m, held]], axis=2)
    sides[m, held] = [0.0, 1.0]
    matrices = _hold(hessian, held)
    curved = ~np.isnan(cholesky_each(matrices)[:, -1, -1])
    if not curved.all():
        matrices[~curved] = _hold(information[~curved], held[~curved])
    moves = _solve_each(matrices, sides)
    return moves[:, :, 0], moves[:, :, 1], curved


def _hold(matrices: Floats, held: NDArray[np.int_]) -> Floats:
    """Copies with the unit matrix in place of the row and column held, in each matrix."""
    m = np.arange(len(held))
    matrices = matrices.copy()
    matrices[m, held] = matrices[m, :, held] = 0.0
    matrices[m, held, held] = 1.0
    return matrices


def climb_each(
    data: FirthData,
    starts: Floats,
    held: NDArray[np.int_],
    wanted: Floats,
    *,
    known: Floats | None = None,
    pairs: Floats | None = None,
    settled: float = 1e-9,
) -> tuple[Floats, Floats]:
    """`firth_likelihood.climb` from many starts, each with one coefficient held.

    Parameters
    ----------
    starts : array, shape (m, terms)
    held : array of int, shape (m,)
        The coefficient each start holds.
    wanted : array, shape (m,)
        A climb ends where it has reached this value, or where its top will clearly stay below it.
    known : array, shape (m, terms), optional
        A top that is not wanted: a climb whose next step leads to it ends.
    pairs
        See `slopes_each`.
    settled
        The gain, twice what the last step brings, at which to stop.

    Returns
    -------
    coefficients, shape (m, terms), and values, shape (m,)
    """
    betas, values = starts.copy(), np.full(len(starts), -np.inf)
    looks = look_each(data, starts @ data.X.T)
    active = np.flatnonzero(looks.value > -np.inf)
    looks = looks.pick(active)
    for _ in range(_ROUNDS):
        if not len(active):
            break
        score, hessian = slopes_each(data, looks, pairs)
        step = newton_each(score, hessian, looks.information, held[active])[0]
        gain = np.einsum("mp,mp->m", score, step)
        values[active] = looks.value
        settled_now = gain < settled
        values[active[settled_now]] += gain[settled_now] / 2
        hopeless = (gain < _CLOSE) & (looks.value + 2 * gain < wanted[active])
        if known is not None:
            hopeless |= np.abs((betas[active] + step - known[active]) @ data.X.T).max(axis=1) < _SAME
        on = np.flatnonzero(~settled_now & ~hopeless)
        step, move = step[on], step[on] @ data.X.T
        size = np.minimum(1.0, MAX_STEP / np.abs(move).max(axis=1))
        looks, higher = _step_up(data, looks.pick(on), move, size)
        active = active[on][higher]
        betas[active] += size[higher, None] * step[higher]
        looks = looks.pick(higher)
    return betas, values


def _step_up(data: FirthData, looks: Looks, move: Floats, size: Floats) -> tuple[Looks, NDArray[np.bool_]]:
    """Looks a step away, sizes halved in place until each is higher; and which of them became so."""
    found = look_each(data, looks.logits + size[:, None] * move)
    for _ in range(40):
        low = np.flatnonzero(~(found.value > looks.value))
        if not len(low):
            break
        size[low] /= 2
        again = look_each(data, looks.logits[low] + size[low, None] * move[low])
        for part, new in zip(found, again, strict=True):
            part[low] = new
    return found, found.value > looks.value


def promising(data: FirthData, term: NDArray[np.int_], value: Floats, gathered: Floats, count: int) -> Floats:
    """The most likely of the gathered coefficients once one of them is given a value.

    Parameters
    ----------
    term, value : arrays, shape (m,)
        The coefficient to hold, and at what.
    gathered : array, shape (fits, terms)

    Returns
    -------
    array, shape (m count, terms)
        The most likely first, for one value after the other.
    """
    shift = value[:, None] - gathered.T[term]
    logits = (gathered @ data.X.T)[None] + shift[:, :, None] * data.X.T[term][:, None]
    likely = values_each(data, logits.reshape(-1, len(data.X))).reshape(shift.shape)
    starts = gathered[np.argsort(-likely, axis=1, kind="stable")[:, :count]]
    starts[np.arange(len(term)), :, term] = value[:, None]
    return np.asarray(starts.reshape(-1, gathered.shape[1]))


def shorten(steps: Floats, X: Floats) -> Floats:
    """Steps made so short that no coupon's logit moves by more than is safe."""
    farthest = np.abs(steps @ X.T).max(axis=1, keepdims=True, initial=1e-300)
    return np.asarray(steps * np.minimum(1, MAX_STEP / farthest))
