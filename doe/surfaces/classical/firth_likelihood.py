"""The penalised likelihood behind Firth's logistic regression, and the way to its top."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dposv
from scipy.special import expit, log_expit

from doe.surfaces.classical.inputs import Floats

_MAX_STEP = 5.0  # no Newton step may move a coupon's logit by more than this
_ROUNDS = 300
_MANY_ROWS = 400


@dataclass(frozen=True)
class FirthData:
    """Grouped pass/fail data of full column rank: distinct model rows, passes and trials of each."""

    X: Floats
    passes: Floats
    trials: Floats

    def penalised(self, beta: Floats) -> float:
        """Log-likelihood plus half the log determinant of the information; -inf where that is singular."""
        eta = self.X @ beta
        weight = self.trials * expit(eta) * expit(-eta)
        sign, logdet = np.linalg.slogdet((self.X.T * weight) @ self.X)
        if sign <= 0 or not np.isfinite(logdet):
            return -np.inf
        return self.log_likelihood(beta) + 0.5 * float(logdet)

    def log_likelihood(self, beta: Floats) -> float:
        """Ordinary binomial log-likelihood (without the constant binomial coefficients)."""
        eta = self.X @ beta
        return float(self.passes @ log_expit(eta) + (self.trials - self.passes) @ log_expit(-eta))

    def slopes(self, beta: Floats) -> tuple[Floats, Floats, Floats] | None:
        """Score, information and exact negative Hessian of the penalised log-likelihood.

        None where the information is singular. With very many distinct rows the information stands in
        for the Hessian: it is close then, and the exact one would need a rows x rows array.

        With W = trials p (1-p), q_ij = x_i' I^-1 x_j and h_i = W_i q_ii:
        score = X'(passes - trials p + h (1/2 - p)); the penalty's Hessian is
        1/2 [X' diag(W (1 - 6 p (1-p)) q_ii) X - X' (W(1-2p) q^2 W(1-2p)) X].
        """
        X = self.X
        p = expit(X @ beta)
        weight = self.trials * p * (1 - p)
        information = (X.T * weight) @ X
        try:
            L = np.linalg.cholesky(information)
        except np.linalg.LinAlgError:
            return None
        half = np.linalg.inv(L) @ X.T  # a triangular solve starts threads that cost more than so small a matrix
        own = np.einsum("ij,ij->j", half, half)  # q_ii
        score = X.T @ (self.passes - self.trials * p + weight * own * (0.5 - p))
        if len(X) > _MANY_ROWS:
            return score, information, information
        q = half.T @ half
        bend = weight * (1 - 2 * p)
        curve = weight * (1 - 6 * p * (1 - p)) * own
        penalty = 0.5 * ((X.T * curve) @ X - (X.T * bend) @ (q**2) @ (X * bend[:, None]))
        return score, information, information - penalty


@dataclass(frozen=True)
class Maximum:
    """Coefficients, penalised log-likelihood there, and whether the search settled."""

    beta: Floats
    value: float
    converged: bool


def maximise(data: FirthData, start: Floats, free: NDArray[np.int_]) -> Maximum:
    """Newton's method with step-halving over the free coefficients, the others held at `start`.

    The exact Hessian is used where it is negative definite, the information elsewhere: the first
    is quick near the top, the second safe far from it.
    """
    beta = start.copy()
    value = data.penalised(beta)
    if not np.isfinite(value):
        return Maximum(beta, value, False)
    if not len(free):
        return Maximum(beta, value, True)
    for _ in range(_ROUNDS):
        slopes = data.slopes(beta)
        if slopes is None:
            return Maximum(beta, value, False)
        score, information, hessian = slopes
        step = _newton_step(score[free], hessian[np.ix_(free, free)], information[np.ix_(free, free)])
        gain = float(score[free] @ step)  # twice what the quadratic model promises
        if gain < 1e-14 * (1 + abs(value)):
            return Maximum(beta, value, True)
        step = step * min(1.0, _MAX_STEP / float(np.abs(data.X[:, free] @ step).max()))
        for _ in range(40):
            trial = beta.copy()
            trial[free] += step
            trial_value = data.penalised(trial)
            if trial_value > value:
                break
            step = step / 2
        else:
            # No uphill step is left that floating point can see: settled, if the promise was tiny.
            return Maximum(beta, value, gain < 1e-8 * (1 + abs(value)))
        beta, value = trial, trial_value
    return Maximum(beta, value, False)


def _newton_step(score: Floats, hessian: Floats, information: Floats) -> Floats:
    for matrix in (hessian, information):
        step, failed = dposv(matrix, score)[1:]
        if not failed:
            return np.asarray(step)
    return np.asarray(score / max(float(np.abs(np.diag(information)).max()), 1e-300))
