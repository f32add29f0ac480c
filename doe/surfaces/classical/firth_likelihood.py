"""The penalised likelihood behind Firth's logistic regression, and the way to its top."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dposv, dpotrf, dtrtri
from scipy.special import expit, log_expit

from doe.surfaces.classical.inputs import Floats

_MAX_STEP = 5.0  # no Newton step may move a coupon's logit by more than this
_ROUNDS = 300
_SETTLED = 1e-14
FEW_ROWS = 64
_NEAR = 0.01  # a last step that moves no logit by more needs no look
MANY_ROWS = 1000


class Look(NamedTuple):
    """The penalised log-likelihood at one point, with all that its slopes start from."""

    value: float
    logits: Floats
    passing: Floats
    weight: Floats
    information: Floats
    root: Floats  # upper triangle U with U'U = information


@dataclass(frozen=True)
class FirthData:
    """Grouped pass/fail data of full column rank: model rows, passes and trials of each."""

    X: Floats
    passes: Floats
    trials: Floats

    @cached_property
    def triangle(self) -> NDArray[np.int_]:
        """Where each element of a symmetric matrix stands in its upper triangle, shape (terms, terms)."""
        p = self.X.shape[1]
        place = np.zeros((p, p), dtype=int)
        place[np.triu_indices(p)] = np.arange(p * (p + 1) // 2)
        return np.maximum(place, place.T)

    @cached_property
    def products(self) -> Floats:
        """The upper triangle of x_i x_i', shape (rows, terms (terms + 1) / 2): X' diag(w) X is a product with it."""
        first, second = np.triu_indices(self.X.shape[1])
        return np.asarray(self.X[:, first] * self.X[:, second])

    def penalised(self, beta: Floats) -> float:
        """Log-likelihood plus half the log determinant of the information; -inf where that is singular."""
        found = self.look(self.X @ beta)
        return -np.inf if found is None else found.value

    def log_likelihood(self, beta: Floats) -> float:
        """Ordinary binomial log-likelihood (without the constant binomial coefficients)."""
        eta = self.X @ beta
        return float(self.passes @ log_expit(eta) + (self.trials - self.passes) @ log_expit(-eta))

    def slopes(self, beta: Floats) -> tuple[Floats, Floats, Floats] | None:
        """Score, information and negative Hessian at given coefficients; None where the information is singular.

        With very many rows the information stands in for the Hessian, which is close to it then.
        """
        found = self.look(self.X @ beta)
        if found is None:
            return None
        half = self.halve(found)
        return self.score(found, half), found.information, found.information - self.penalty(found, half)

    def look(self, logits: Floats) -> Look | None:
        """The penalised log-likelihood where the rows have these logits; None where it is minus infinity.

        LAPACK is called directly: for so small matrices NumPy's own checks cost more than the work.
        """
        passing = expit(logits)
        weight = self.trials * passing * expit(-logits)
        information = (self.X.T * weight) @ self.X
        root, failed = dpotrf(information)
        if failed:
            return None
        # log(1 - p) = log p - logit, so one logarithm serves passes and failures
        value = self.passes @ logits + self.trials @ log_expit(-logits) + np.log(root.diagonal()).sum()
        return Look(float(value), logits, passing, weight, information, root)

    def halve(self, found: Look) -> Floats:
        """U^-T X': its columns y_i give q_ij = x_i' I^-1 x_j = y_i'y_j."""
        # A triangular solve starts threads that cost more than so small a matrix.
        return np.asarray(dtrtri(found.root)[0].T @ self.X.T)

    def score(self, found: Look, half: Floats) -> Floats:
        """First derivatives: X'(passes - trials p + h (1/2 - p)) with h_i = W_i q_ii and W = trials p (1-p)."""
        p = found.passing
        own = found.weight * np.einsum("ij,ij->j", half, half)
        return np.asarray(self.X.T @ (self.passes - self.trials * p + own * (0.5 - p)))

    def penalty(self, found: Look, half: Floats) -> Floats:
        """Second derivatives of the penalty; taken as zero with very many rows, where it matters little.

        1/2 [X' diag(W (1 - 6 p (1-p)) q_ii) X - sum_ij b_i b_j q_ij^2 x_i x_j'] with b = W (1-2p).
        """
        X, p = self.X, found.passing
        if len(X) > MANY_ROWS:
            return np.zeros_like(found.information)
        own = np.einsum("ij,ij->j", half, half)
        curve = (X.T * (found.weight * (1 - 6 * p * (1 - p)) * own)) @ X
        double_sum = _pairwise if len(X) <= FEW_ROWS else _rowwise
        return np.asarray(0.5 * (curve - double_sum(X, half, found.weight * (1 - 2 * p))))


def _pairwise(X: Floats, half: Floats, bend: Floats) -> Floats:
    """sum_ij b_i b_j q_ij^2 x_i x_j' over all pairs of rows: quick for few."""
    q = half.T @ half
    bent = X.T * bend
    return np.asarray(bent @ (q * q) @ bent.T)


def _rowwise(X: Floats, half: Floats, bend: Floats) -> Floats:
    """The same in work that grows with the rows and not with their square.

    With y_i the columns of `half`, q_ij = y_i'y_j, so q_ij^2 is the scalar product of y_i y_i' and y_j y_j', and the
    double sum is Z'Z for Z = sum_i b_i vec(y_i y_i') x_i'. Of the symmetric y_i y_i' one triangle is enough.
    """
    above, below = np.triu_indices(len(half))
    Z = (half[above] * (half * bend)[below]) @ X
    Z[above != below] *= np.sqrt(2)
    return np.asarray(Z.T @ Z)


class Slopes(NamedTuple):
    """First derivatives of the penalised log-likelihood, the information, and the penalty's second derivatives."""

    score: Floats
    information: Floats
    penalty: Floats


@dataclass(frozen=True)
class Maximum:
    """Coefficients, penalised log-likelihood there, whether the search settled, and the slopes last computed near."""

    beta: Floats
    value: float
    converged: bool
    slopes: Slopes | None = field(default=None, repr=False)


def maximise(data: FirthData, start: Floats, free: NDArray[np.int_]) -> Maximum:
    """Newton's method with step-halving over the free coefficients, the others held at `start`."""
    found = data.look(data.X @ start)
    if found is None:
        return Maximum(start.copy(), -np.inf, False)
    return climb(data, start.copy(), found, free)


def climb(
    data: FirthData,
    beta: Floats,
    found: Look,
    free: NDArray[np.int_],
    *,
    penalty: Floats | None = None,
    settled: float = _SETTLED,
) -> Maximum:
    """`maximise` from a point already looked at.

    Parameters
    ----------
    penalty
        The penalty's second derivatives, where they are known from nearby.
    settled
        The gain, relative to the value, at which to stop.

    Notes
    -----
    The exact Hessian is used where it is positive definite, the information elsewhere: the first is quick near the top,
    the second safe far from it. The penalty's part of it costs most and changes least, so it is computed anew only
    where the last step did not bring what so good a Hessian brings.
    """
    if not len(free):
        return Maximum(beta, found.value, True)
    held = sorted(set(range(len(beta))).difference(free.tolist()))
    few = len(data.X) <= FEW_ROWS
    if penalty is None and not few:
        # The information alone is nearly as good a guide and cheaper. Among few rows there may be several peaks: there
        # the exact Hessian leads to the nearest.
        penalty = np.zeros_like(found.information)
    slow = 0.01 if few else 0.1  # with more rows a new penalty costs more than a further step
    before = np.inf  # the gain promised before the last step, where that was a full one
    for _ in range(_ROUNDS):
        half = data.halve(found)
        if penalty is None:
            penalty = data.penalty(found, half)
        slopes = Slopes(data.score(found, half), found.information, penalty)
        step = newton_step(slopes, held)
        gain = float(slopes.score @ step)  # twice what the quadratic model promises
        move = data.X @ step
        farthest = float(np.abs(move).max())
        enough = settled * (1 + abs(found.value))
        if gain < enough or gain * gain < 0.01 * enough * before < np.inf:
            # This step promises next to nothing, or steps shrink so fast that the next one would: it needs no look.
            if farthest < _NEAR:
                return Maximum(beta + step, found.value + gain / 2, True, slopes)
            if gain < enough:
                return Maximum(beta, found.value, True, slopes)
        size = min(1.0, _MAX_STEP / farthest)
        for _ in range(40):
            trial = data.look(found.logits + size * move)
            if trial is not None and trial.value > found.value:
                break
            size /= 2
        else:
            # No uphill step is left that floating point can see: settled, if the promise was tiny.
            return Maximum(beta, found.value, gain < 1e-8 * (1 + abs(found.value)), slopes)
        if size < 1 or gain > slow * before:
            penalty = None
        before = gain if size == 1 else np.inf
        beta, found = beta + size * step, trial
    return Maximum(beta, found.value, False)


def newton_step(slopes: Slopes, held: list[int]) -> Floats:
    """Newton's step of the free coefficients, zero for those held."""
    score = slopes.score
    if held:
        score = score.copy()
        score[held] = 0.0
    for matrix in (slopes.information - slopes.penalty, slopes.information):
        step, failed = dposv(_without(matrix, held), score)[1:]
        if not failed:
            return np.asarray(step)
    return np.asarray(score / max(float(np.abs(np.diag(slopes.information)).max()), 1e-300))


def follow(slopes: Slopes, j: int) -> Floats:
    """How the other coefficients move along the profile for each unit of coefficient j: -H_ff^-1 H_fj, and 1 for j."""
    hessian = slopes.information - slopes.penalty
    side = -hessian[j]
    side[j] = 1.0
    move, failed = dposv(_without(hessian, [j]), side)[1:]
    return np.asarray(np.eye(len(side))[j] if failed else move)


def _without(matrix: Floats, held: list[int]) -> Floats:
    """The matrix with the unit matrix in place of the rows and columns held."""
    if not held:
        return matrix
    matrix = matrix.copy()
    matrix[held] = matrix[:, held] = 0.0
    matrix[held, held] = 1.0
    return matrix
