"""Logistic regression with Firth's penalty: finite answers from few coupons, even with separation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats
from scipy.special import expit, log_expit

from doe.domain.errors import InputError
from doe.surfaces.classical.confounding import Separable, find_confounding
from doe.surfaces.classical.inputs import Floats, as_matrix, as_vector, check_assurance
from doe.surfaces.classical.separation import Separation, find_separation

_MAX_STEP = 5.0  # no Newton step may move a coupon's logit by more than this
_ROUNDS = 300
_MANY_ROWS = 400
_FAR_LOGIT = 200.0  # a profile still too likely when a logit has moved this far is taken as unbounded


@dataclass(frozen=True)
class FirthFit:
    """A fitted Firth-penalised logistic model.

    Attributes
    ----------
    coefficients : DataFrame
        One row a kept term: term, estimate, se, low, high, chi2, p. `low` and `high` are profile
        penalised-likelihood limits (never Wald limits); an infinite limit means the data set none.
        `chi2` and `p` are the penalised likelihood-ratio test of the term.
    covariance : array, shape (kept, kept)
        Inverse of the ordinary information at the estimate.
    fitted : array, shape (rows,)
        Fitted pass probability of each row of X.
    log_likelihood, penalised
        Without and with the penalty, at the estimate.
    separation : Separation
        Whether ordinary logistic regression would have had no finite answer, and through which terms.
    separable : Separable
        Terms the coupons cannot tell apart (left out of the fit).
    converged : bool
    notes : tuple of str
    """

    names: tuple[str, ...]
    coefficients: pd.DataFrame
    covariance: Floats
    fitted: Floats
    log_likelihood: float
    penalised: float
    separation: Separation
    separable: Separable
    assurance: float
    converged: bool
    notes: tuple[str, ...]
    data: FirthData = field(repr=False)

    @property
    def estimates(self) -> Floats:
        """Estimates of the kept terms, in column order."""
        return self.coefficients["estimate"].to_numpy(dtype=float)


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
        half = np.linalg.solve(L, X.T)
        own = np.einsum("ij,ij->j", half, half)  # q_ii
        score = X.T @ (self.passes - self.trials * p + weight * own * (0.5 - p))
        if len(X) > _MANY_ROWS:
            return score, information, information
        q = half.T @ half
        bend = weight * (1 - 2 * p)
        curve = weight * (1 - 6 * p * (1 - p)) * own
        penalty = 0.5 * ((X.T * curve) @ X - (X.T * bend) @ (q**2) @ (X * bend[:, None]))
        return score, information, information - penalty


def fit_firth(
    X: ArrayLike,
    passed: ArrayLike,
    names: Sequence[str] | None = None,
    *,
    trials: ArrayLike | None = None,
    assurance: float = 0.95,
) -> FirthFit:
    """Fit pass/fail data by logistic regression with Firth's penalty.

    Parameters
    ----------
    X : array, shape (rows, terms)
        Model matrix, the constant included as a column of ones.
    passed : array, shape (rows,)
        Passes of each row: 0 or 1, or a count up to `trials`.
    names : sequence of str, optional
    trials : array, shape (rows,), optional
        Coupons of each row, default 1.
    assurance : float
        Of the two-sided profile limits.

    Returns
    -------
    FirthFit

    Raises
    ------
    InputError
        If shapes disagree, a value is not finite or there are more passes than trials.

    Notes
    -----
    Where one coefficient is held for a limit or a test, the penalty stays that of the whole
    information matrix. The penalty pulls all probabilities toward one half: with few coupons predicted
    pass rates near 0 or 1 are too cautious. Coupons are taken as independent.

    References
    ----------
    D. Firth (1993), *Biometrika* 80(1), 27-38; G. Heinze and M. Schemper (2002), *Statistics in Medicine*
    21, 2409-2419.

    Examples
    --------
    >>> fit = fit_firth([[1.0]], [0], ["constant"], trials=[20])  # 0 of 20: log(0.5 / 20.5)
    >>> round(float(fit.estimates[0]), 6)
    -3.713572
    """
    check_assurance(assurance)
    matrix, columns = as_matrix(X, names)
    y = as_vector(passed, len(matrix), "passed")
    m = np.ones(len(matrix)) if trials is None else as_vector(trials, len(matrix), "trials")
    if (y < 0).any() or (y > m).any() or not len(y):
        raise InputError("passed", "counts outside their trials", "0 to trials", "Count each coupon once.")
    separable = find_confounding(matrix, columns)
    design = matrix[:, separable.kept]
    kept_names = [columns[j] for j in separable.kept]
    rows = m > 0
    unique, where = np.unique(design[rows], axis=0, return_inverse=True)
    where = where.reshape(-1)
    data = FirthData(unique, *(np.bincount(where, v[rows]).astype(np.float64) for v in (y, m)))

    best = _maximise(data, np.zeros(len(kept_names)), np.arange(len(kept_names)))
    notes = [str(c) for c in separable.confoundings]
    if not best.converged:
        notes.append("The penalised fit did not settle; do not use its numbers.")
    separation = _separation(data, kept_names)
    if separation.kind != "none":
        notes.append(str(separation))
    slopes = data.slopes(best.beta)
    covariance: Floats = np.full((len(kept_names),) * 2, np.inf)
    if slopes is not None:
        covariance = np.asarray(np.linalg.inv(slopes[1]), dtype=np.float64)
    table, peaks = _profile_table(data, best, kept_names, np.sqrt(np.diag(covariance)), assurance)
    unbounded = table.loc[~np.isfinite(table["low"]) | ~np.isfinite(table["high"]), "term"]
    if len(unbounded):
        notes.append(f"The data set no limit on one side for: {', '.join(unbounded)}.")
    if peaks:
        notes.append(
            f"Too many terms for these coupons: the likelihood has several peaks along {', '.join(peaks)}; "
            "the outermost limits found are given."
        )
    return FirthFit(
        names=columns,
        coefficients=table,
        covariance=covariance,
        fitted=np.asarray(expit(design @ best.beta)),
        log_likelihood=data.log_likelihood(best.beta),
        penalised=best.value,
        separation=separation,
        separable=separable,
        assurance=assurance,
        converged=best.converged,
        notes=tuple(notes),
        data=data,
    )


@dataclass(frozen=True)
class LikelihoodRatio:
    """A penalised likelihood-ratio test: statistic, degrees of freedom, p."""

    chi2: float
    df: int
    p: float


def judge_terms(fit: FirthFit, terms: Sequence[str]) -> LikelihoodRatio:
    """Penalised likelihood-ratio test that the named terms are all zero.

    The restricted fit keeps the penalty of the whole information matrix (Heinze and Schemper 2002).
    """
    known = fit.coefficients["term"].tolist()
    unknown = [name for name in terms if name not in known]
    if unknown or not terms:
        raise InputError("terms", ", ".join(unknown) or "none", ", ".join(known), "Pick fitted terms.")
    held = {known.index(name) for name in terms}
    free = np.asarray([j for j in range(len(known)) if j not in held], dtype=int)
    start = fit.estimates.copy()
    start[list(held)] = 0.0
    restricted = _maximise(fit.data, start, free)
    chi2 = max(2 * (fit.penalised - restricted.value), 0.0)
    return LikelihoodRatio(chi2, len(held), float(stats.chi2.sf(chi2, len(held))))


@dataclass(frozen=True)
class _Maximum:
    beta: Floats
    value: float
    converged: bool


def _maximise(data: FirthData, start: Floats, free: NDArray[np.int_]) -> _Maximum:
    """Newton's method with step-halving over the free coefficients, the others held at `start`.

    The exact Hessian is used where it is negative definite, the information elsewhere: the first
    is quick near the top, the second safe far from it.
    """
    beta = start.copy()
    value = data.penalised(beta)
    if not np.isfinite(value):
        return _Maximum(beta, value, False)
    if not len(free):
        return _Maximum(beta, value, True)
    for _ in range(_ROUNDS):
        slopes = data.slopes(beta)
        if slopes is None:
            return _Maximum(beta, value, False)
        score, information, hessian = slopes
        step = _newton_step(score[free], hessian[np.ix_(free, free)], information[np.ix_(free, free)])
        gain = float(score[free] @ step)  # twice what the quadratic model promises
        if gain < 1e-14 * (1 + abs(value)):
            return _Maximum(beta, value, True)
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
            return _Maximum(beta, value, gain < 1e-8 * (1 + abs(value)))
        beta, value = trial, trial_value
    return _Maximum(beta, value, False)


def _newton_step(score: Floats, hessian: Floats, information: Floats) -> Floats:
    for matrix in (hessian, information):
        try:
            L = np.linalg.cholesky(matrix)
        except np.linalg.LinAlgError:
            continue
        return np.asarray(np.linalg.solve(L.T, np.linalg.solve(L, score)))
    return np.asarray(score / max(float(np.abs(np.diag(information)).max()), 1e-300))


def _separation(data: FirthData, names: Sequence[str]) -> Separation:
    some_passed, some_failed = data.passes > 0, data.passes < data.trials
    X = np.vstack([data.X[some_passed], data.X[some_failed]])
    y = np.r_[np.ones(int(some_passed.sum())), np.zeros(int(some_failed.sum()))]
    return find_separation(X, y, names)


@dataclass(frozen=True)
class _Limit:
    """A profile limit: its value (maybe infinite), the fit there, and whether a better one was found."""

    value: float
    point: _Maximum
    moved: bool = False


def _profile_table(
    data: FirthData, best: _Maximum, names: Sequence[str], se: Floats, assurance: float
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
            (_profile(data, near, j, 0.0).value for near in (best, _Maximum(np.zeros(len(names)), 0.0, True))),
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
    best: _Maximum,
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
        starts = [beta.copy() for beta in gathered]
        for start in starts:
            start[j] = limit.value
        starts.sort(key=data.penalised, reverse=True)
        free = np.asarray([i for i in range(len(best.beta)) if i != j], dtype=int)
        found = max((_maximise(data, start, free) for start in starts[:4]), key=lambda point: point.value)
        if _root(best, found) > target - 1e-4:
            return limit
        farther = _profile_limit(data, best, j, stride, target, inside=found, reached=abs(limit.value - best.beta[j]))
        limit = _Limit(farther.value, farther.point, True)
    return limit


def _profile(data: FirthData, near: _Maximum, j: int, value: float) -> _Maximum:
    """Best penalised fit with coefficient j held at `value`, starting from a profile point nearby."""
    free = np.asarray([i for i in range(len(near.beta)) if i != j], dtype=int)
    plain = near.beta.copy()
    plain[j] = value
    start, slopes = plain, data.slopes(near.beta)
    if slopes is not None and len(free):
        # Along the profile the free coefficients move by -H_ff^-1 H_fj for each unit of coefficient j.
        hessian = slopes[2]
        move = -np.linalg.lstsq(hessian[np.ix_(free, free)], hessian[free, j], rcond=None)[0]
        ahead = plain.copy()
        ahead[free] += move * (value - near.beta[j])
        if data.penalised(ahead) > data.penalised(plain):
            start = ahead
    return _maximise(data, start, free)


def _root(best: _Maximum, point: _Maximum) -> float:
    """Signed root of the likelihood ratio of a profile point (without its sign)."""
    return float(np.sqrt(2 * max(best.value - point.value, 0.0)))


def _profile_limit(
    data: FirthData,
    best: _Maximum,
    j: int,
    stride: float,
    target: float,
    *,
    inside: _Maximum | None = None,
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
        if root < target:
            if distance >= far:
                return _Limit(sign * np.inf, trial)
            point, low = trial, distance
        else:
            high = distance
        if high - low < 1e-10 * (abs(estimate) + high):
            break
        distance = _next_distance(distance, root, target, _fall(data, trial, j, sign), (low, min(high, far)))
        if not np.isfinite(high):
            distance = min(max(distance, 1.05 * low), 3 * low, far)
    return _Limit(estimate + sign * distance, trial)


def _fall(data: FirthData, point: _Maximum, j: int, sign: float) -> float:
    """How fast the profile falls per unit of distance; 0 if that cannot be told."""
    slopes = data.slopes(point.beta)
    return 0.0 if slopes is None else max(-sign * float(slopes[0][j]), 0.0)


def _next_distance(distance: float, root: float, target: float, fall: float, bracket: tuple[float, float]) -> float:
    """Newton's step on the root, whose slope is fall / root; the middle of the bracket if it leaves it."""
    low, high = bracket
    if fall > 0 and root > 0:
        newton = distance - (root - target) * root / fall
        if low < newton < high:
            return newton
    return low + (high - low) / 2
