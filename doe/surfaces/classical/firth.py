"""Logistic regression with Firth's penalty: finite answers from few coupons, even with separation.

Ours, because `FirthLogisticRegression` of firthmodels 0.8.2 gives no answer where all coupons end alike (0 of 20), and
searches each limit once, by Newton's method: with the 15 terms that four factors have, a tenth to a fifth of its limits
on 20 or 28 coupons are too narrow, because the likelihood has several peaks. It would also bring scikit-learn along.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.linalg.lapack import dpotrf, dtrtrs
from scipy.optimize import minimize
from scipy.special import chdtrc, chdtri, expit, log_expit

from doe.surfaces.classical.confounding import Floats, Separable, find_confounding
from doe.surfaces.classical.separation import Separation, find_separation

_FAR_LOGIT = 200.0  # a profile still too likely when a logit has moved this far is taken as unbounded
CROWDED = 3
"""Fewer coupons a term than this are few: limits too narrow were seen from 10 terms on 28 coupons on, not with 7."""

_ROUNDS = 5  # times a limit may be moved outward
_APART = 1e-3  # standard errors between two limits that are two peaks'


@dataclass(frozen=True)
class FirthData:
    """Pass/fail data of full column rank: model rows, and 1 for each that passed."""

    X: Floats
    passed: Floats

    def information(self, beta: Floats) -> Floats:
        """X' diag(p (1 - p)) X, shape (terms, terms)."""
        eta = self.X @ beta
        return np.asarray((self.X.T * (expit(eta) * expit(-eta))) @ self.X)

    def penalised(self, beta: Floats) -> tuple[float, Floats]:
        """Log-likelihood plus half the log determinant of the information, and its slopes, shape (terms,).

        Where the information is singular the value is minus infinity and
        the slopes are zero.
        """
        eta = self.X @ beta
        p, q = expit(eta), expit(-eta)
        weight = p * q
        # LAPACK itself: asked thousands of times for matrices this small, the usual functions around it take longer
        root, failed = dpotrf((self.X.T * weight) @ self.X, lower=1)
        if failed:
            return -np.inf, np.zeros(len(beta))
        half, _ = dtrtrs(root, self.X.T, lower=1)
        leverage = weight * np.einsum("ij,ij->j", half, half)
        likelihood = self.passed @ log_expit(eta) + (1 - self.passed) @ log_expit(-eta)
        slopes = (self.passed - p + leverage * (0.5 - p)) @ self.X
        return float(likelihood + np.log(np.diag(root)).sum()), np.asarray(slopes)


class _Profiles(NamedTuple):
    """Profile limits, shape (terms, 2); the fits there, shape (terms, 2, terms); along which terms several peaks were
    seen, shape (terms,)."""

    limits: Floats
    fits: Floats
    several: NDArray[np.bool_]


@dataclass(frozen=True)
class FirthFit:
    """A fitted Firth-penalised logistic model.

    Attributes
    ----------
    estimates : array, shape (kept,)
        Estimates of the kept terms, in column order.
    covariance : array, shape (kept, kept)
        Inverse of the ordinary information at the estimate.
    fitted : array, shape (rows,)
        Fitted pass probability of each row of X.
    penalised : float
        Penalised log-likelihood at the estimate.
    separable : Separable
        Terms the coupons cannot tell apart (left out of the fit).
    converged : bool
    """

    estimates: Floats
    covariance: Floats
    fitted: Floats
    penalised: float
    separable: Separable
    assurance: float
    converged: bool
    data: FirthData = field(repr=False)

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        """One row a kept term: term, estimate, se, low, high, chi2, p.

        `low` and `high` are profile penalised-likelihood limits (never Wald limits); an infinite limit means the data
        set none. `chi2` and `p` are the penalised likelihood-ratio test of the term.
        """
        chi2 = np.array([self._test(j) for j in range(len(self.estimates))])
        low, high = self._profiles.limits.T
        return pd.DataFrame(
            {
                "term": self.separable.terms,
                "estimate": self.estimates,
                "se": np.sqrt(np.diag(self.covariance)),
                "low": low,
                "high": high,
                "chi2": chi2,
                "p": chdtrc(1, chi2),
            }
        )

    @cached_property
    def separation(self) -> Separation:
        """Whether ordinary logistic regression would have had no finite answer, and through which terms."""
        return find_separation(self.data.X, self.data.passed, self.separable.terms)

    @property
    def several_peaks(self) -> tuple[str, ...]:
        """Terms along which searches from different starts ended at different limits."""
        return tuple(
            term for term, several in zip(self.separable.terms, self._profiles.several, strict=True) if several
        )

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What a reader must know before believing the numbers."""
        notes = [*self.separable.notes]
        if not self.converged:
            notes.append("The penalised fit did not settle; do not use its numbers.")
        if self.separation.kind != "none":
            notes.append(str(self.separation))
        unbounded = self.coefficients.loc[~np.isfinite(self.coefficients["high"] - self.coefficients["low"]), "term"]
        if len(unbounded):
            notes.append(f"The data set no limit on one side for: {', '.join(unbounded)}.")
        if self.several_peaks:
            notes.append(
                "Too many terms for these coupons: the likelihood has several peaks along "
                f"{', '.join(self.several_peaks)}; the outermost limits found are given."
            )
        elif CROWDED * len(self.estimates) > len(self.data.passed):
            notes.append(
                f"{len(self.estimates)} terms are many for {len(self.data.passed)} coupons: the likelihood may have a "
                "peak that no search met, and a limit may then be too narrow."
            )
        return tuple(notes)

    def _test(self, j: int) -> float:
        """Likelihood-ratio statistic of 'coefficient j is zero': the highest top found from several starts counts."""
        along = self.estimates - self.covariance[j] * self.estimates[j] / self.covariance[j, j]
        starts = np.array([self.estimates, along, np.zeros(len(along)), *self._profiles.fits[j]])
        starts[:, j] = 0.0
        top = max(maximise(self.data, start, held=j)[1] for start in starts)
        return max(2 * (self.penalised - top), 0.0)

    @cached_property
    def _profiles(self) -> _Profiles:
        return _find_profiles(self)


def fit_firth(
    X: ArrayLike,
    passed: ArrayLike,
    names: Sequence[str] | None = None,
    *,
    assurance: float = 0.95,
) -> FirthFit:
    """Fit pass/fail data by logistic regression with Firth's penalty.

    Parameters
    ----------
    X : array, shape (rows, terms)
        Model matrix, the constant included as a column of ones.
    passed : array, shape (rows,)
        1 for a pass, 0 for a failure.
    names : sequence of str, optional
    assurance : float
        Of the two-sided profile limits.

    Returns
    -------
    FirthFit
        Limits, tests and the search for separation are made when first asked for.

    Notes
    -----
    Where one coefficient is held for a limit or a test, the penalty stays that of the whole
    information matrix. The penalty pulls all probabilities toward one half: with few coupons predicted
    pass rates near 0 or 1 are too cautious. Coupons are taken as independent.

    With nearly as many terms as coupons the profile has several peaks, and a limit can still be too narrow
    (``tests/benchmarks/classical_intervals.py`` counts how many); the notes say so, whether peaks were met or not.

    References
    ----------
    D. Firth (1993), *Biometrika* 80(1), 27-38; G. Heinze and M. Schemper (2002), *Statistics in Medicine*
    21, 2409-2419.

    Examples
    --------
    >>> fit = fit_firth([[1.0]] * 20, [0] * 20, ["constant"])  # 0 of 20: log(0.5 / 20.5)
    >>> round(float(fit.estimates[0]), 6)
    -3.713572
    """
    matrix = np.asarray(X, dtype=float)
    separable = find_confounding(matrix, names)
    data = FirthData(np.ascontiguousarray(matrix[:, separable.kept]), np.asarray(passed, dtype=float))
    beta, value, converged = maximise(data, np.zeros(len(separable.kept)))
    return FirthFit(
        estimates=beta,
        covariance=np.asarray(np.linalg.inv(data.information(beta)), dtype=np.float64),
        fitted=np.asarray(expit(data.X @ beta)),
        penalised=value,
        separable=separable,
        assurance=assurance,
        converged=converged,
        data=data,
    )


def maximise(data: FirthData, start: Floats, *, held: int | None = None) -> tuple[Floats, float, bool]:
    """Climb from `start`, shape (terms,), to the top of the penalised log-likelihood.

    Parameters
    ----------
    data : FirthData
    start : array, shape (terms,)
    held : int, optional
        Coefficient that stays as it is.

    Returns
    -------
    coefficients, shape (terms,), the value there, and whether the search settled
    """
    free = np.arange(len(start)) != (-1 if held is None else held)
    if not free.any():
        return start.copy(), data.penalised(start)[0], True
    # Searched in units in which the likelihood is a ball about zero: those of the settings do not matter.
    moves = np.zeros((len(start), int(free.sum())))
    moves[free] = np.linalg.inv(np.linalg.cholesky(data.information(np.zeros(len(start)))[np.ix_(free, free)])).T

    def loss(u: Floats) -> tuple[float, Floats]:
        value, slopes = data.penalised(start + moves @ u)
        return -value, -slopes @ moves

    found = minimize(loss, np.zeros(moves.shape[1]), jac=True, method="L-BFGS-B", options={"ftol": 1e-15, "gtol": 1e-8})
    return start + moves @ found.x, -float(found.fun), bool(np.abs(found.jac).max() < 1e-4)


def _find_profiles(fit: FirthFit) -> _Profiles:
    """How far each coefficient gets among fits that are likely enough: the profile limits.

    There may be several peaks, so each limit is searched for from three starts, near and far, and again from any other
    limit's fit that lies beyond it; the outermost is kept.
    """
    data, best, p = fit.data, fit.estimates, len(fit.estimates)
    if not p:
        return _Profiles(np.empty((0, 2)), np.empty((0, 2, 0)), np.empty(0, dtype=bool))
    se, target = np.sqrt(np.diag(fit.covariance)), np.sqrt(chdtri(1, 1 - fit.assurance))
    root = np.linalg.cholesky(fit.covariance)  # searched in units in which the likelihood is nearly a ball
    floor = fit.penalised - target**2 / 2
    far = _FAR_LOGIT / np.abs(data.X).max(axis=0)

    @lru_cache(maxsize=1)  # value and slopes are asked for one after the other
    def look(point: bytes) -> tuple[float, Floats]:
        value, up = data.penalised(best + root @ np.frombuffer(point))
        return max(value - floor, -1e6), up @ root

    def spare(u: Floats) -> float:
        return look(u.tobytes())[0]

    def slopes(u: Floats) -> Floats:
        return look(u.tobytes())[1]

    def search(j: int, side: float, start: Floats) -> Floats:
        """The farthest likely fit found from `start`, or the estimate if none was."""
        toward = -side * root[j] / se[j]

        def short_of(u: Floats) -> tuple[float, Floats]:
            return float(toward @ u), toward

        found = minimize(
            short_of,
            np.linalg.solve(root, start - best),
            jac=True,
            method="SLSQP",
            constraints={"type": "ineq", "fun": spare, "jac": slopes},
            options={"ftol": 1e-10, "maxiter": 200},
        )
        return np.asarray(best + root @ found.x) if spare(found.x) > -1e-4 else best

    several = np.zeros(p, dtype=bool)
    fits = np.empty((p, 2, p))
    for j in range(p):
        along = fit.covariance[j] / se[j]
        for k, side in enumerate((-1.0, 1.0)):
            steps = (target * along, 4 * target * along, 4 * target * se[j] * np.eye(p)[j])
            ends = np.array([search(j, side, best + side * step) for step in steps])
            ends = ends[np.argsort(side * ends[:, j])]
            fits[j, k] = ends[-1]
            several[j] |= abs(ends[-1, j] - ends[0, j]) > _APART * se[j]
    for _ in range(_ROUNDS):
        moved = False
        for j in range(p):
            for k, side in enumerate((-1.0, 1.0)):
                beyond = fits.reshape(-1, p)[np.argmax(side * fits[:, :, j])]
                if side * (beyond[j] - fits[j, k, j]) > _APART * se[j]:
                    further = search(j, side, beyond)
                    fits[j, k] = further if side * (further[j] - beyond[j]) > 0 else beyond
                    several[j] = moved = True
        if not moved:
            break
    limits = np.array([fits[j, :, j] for j in range(p)])
    unbounded = np.abs(limits - best[:, None]) > far[:, None]
    return _Profiles(np.where(unbounded, [-np.inf, np.inf], limits), fits, several)
