"""Logistic regression with Firth's penalty: finite answers from few coupons, even with separation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import chdtrc, expit

from doe.domain.errors import InputError
from doe.surfaces.classical.confounding import Separable, find_confounding
from doe.surfaces.classical.firth_likelihood import FEW_ROWS, FirthData, maximise
from doe.surfaces.classical.firth_profile import find_profiles
from doe.surfaces.classical.inputs import Floats, as_matrix, as_vector, check_assurance
from doe.surfaces.classical.separation import Separation, find_separation


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
    several_peaks : tuple of str
        Terms along which the profile has several peaks.
    notes : tuple of str
    """

    names: tuple[str, ...]
    coefficients: pd.DataFrame
    covariance: Floats
    fitted: Floats
    log_likelihood: float
    penalised: float
    separable: Separable
    assurance: float
    converged: bool
    several_peaks: tuple[str, ...]
    data: FirthData = field(repr=False)

    @cached_property
    def separation(self) -> Separation:
        """Looked for when first asked for: it takes a linear programme for every term."""
        return _separation(self.data, self.coefficients["term"].tolist())

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What a reader must know before believing the numbers."""
        notes = [str(c) for c in self.separable.confoundings]
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
        return tuple(notes)

    @property
    def estimates(self) -> Floats:
        """Estimates of the kept terms, in column order."""
        return self.coefficients["estimate"].to_numpy(dtype=float)


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

    With nearly as many terms as coupons the profile has several peaks, the notes say so, and a limit can
    still be too narrow: on 20 to 28 simulated coupons none of 96 limits with 4 terms, 2 of 240 with 10
    and 23 of 360 with 15 (``tests/benchmarks/classical_intervals.py``).

    References
    ----------
    D. Firth (1993), *Biometrika* 80(1), 27-38; G. Heinze and M. Schemper (2002), *Statistics in Medicine*
    21, 2409-2419; limits by Newton's method: D. J. Venzon and S. H. Moolgavkar (1988), *Applied Statistics*
    37(1), 87-94.

    Examples
    --------
    >>> fit = fit_firth([[1.0]], [0], ["constant"], trials=[20])  # 0 of 20: log(0.5 / 20.5)
    >>> round(float(fit.estimates[0]), 6)
    -3.713572
    """
    check_assurance(assurance)
    matrix, columns = as_matrix(X, names)
    y, m = _counts(passed, trials, len(matrix))
    separable = find_confounding(matrix, columns)
    design = matrix[:, separable.kept]
    kept_names = [columns[j] for j in separable.kept]
    data = _group(design, y, m)
    best = maximise(data, np.zeros(len(kept_names)), np.arange(len(kept_names)))
    slopes = data.slopes(best.beta)
    covariance: Floats = np.full((len(kept_names),) * 2, np.inf)
    if slopes is not None:
        covariance = np.asarray(np.linalg.inv(slopes[1]), dtype=np.float64)
    se = np.sqrt(np.diag(covariance))
    hessian = np.full_like(covariance, np.nan) if slopes is None else slopes[2]
    profiles = find_profiles(data, best, hessian, se, assurance)
    table = pd.DataFrame(
        {
            "term": kept_names,
            "estimate": best.beta,
            "se": se,
            "low": profiles.low,
            "high": profiles.high,
            "chi2": profiles.chi2,
            "p": chdtrc(1, profiles.chi2),
        }
    )
    peaks = tuple(name for name, several in zip(kept_names, profiles.several_peaks, strict=True) if several)
    return FirthFit(
        names=columns,
        coefficients=table,
        covariance=covariance,
        fitted=np.asarray(expit(design @ best.beta)),
        log_likelihood=data.log_likelihood(best.beta),
        penalised=best.value,
        separable=separable,
        assurance=assurance,
        converged=best.converged,
        several_peaks=peaks,
        data=data,
    )


def estimate_firth(X: ArrayLike, passed: ArrayLike, *, trials: ArrayLike | None = None) -> Floats:
    """Only the estimates of `fit_firth`, many times quicker: for repeated fits of simulated coupons.

    Returns
    -------
    array, shape (terms,)
        0 for a term the coupons cannot tell from earlier ones.
    """
    matrix, columns = as_matrix(X)
    y, m = _counts(passed, trials, len(matrix))
    kept = find_confounding(matrix, columns).kept
    beta = np.zeros(matrix.shape[1])
    beta[kept] = maximise(_group(matrix[:, kept], y, m), np.zeros(len(kept)), np.arange(len(kept))).beta
    return beta


def _counts(passed: ArrayLike, trials: ArrayLike | None, rows: int) -> tuple[Floats, Floats]:
    y = as_vector(passed, rows, "passed")
    m = np.ones(rows) if trials is None else as_vector(trials, rows, "trials")
    if (y < 0).any() or (y > m).any() or not rows:
        raise InputError("passed", "counts outside their trials", "0 to trials", "Count each coupon once.")
    return y, m


def _group(design: Floats, passes: Floats, trials: Floats) -> FirthData:
    """Equal rows added up where there are many; rows without trials left out."""
    if not trials.all():
        some = trials > 0
        design, passes, trials = design[some], passes[some], trials[some]
    design = np.ascontiguousarray(design)  # picking columns leaves them side by side, which is slow here
    if len(design) <= FEW_ROWS:  # the search for equal ones would cost more than they do
        return FirthData(design, passes, trials)
    # Equal rows have equal sums with fixed odd weights. Sorting one number a row is far quicker than sorting rows.
    key = design @ np.sin(np.arange(1.0, 1.0 + design.shape[1]))
    first, where = np.unique(key, return_index=True, return_inverse=True)[1:]
    unique = design[first]
    if not np.array_equal(unique[where], design):
        unique, where = np.unique(design, axis=0, return_inverse=True)
        where = where.reshape(-1)
    return FirthData(unique, *(np.bincount(where, v).astype(np.float64) for v in (passes, trials)))


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
    restricted = maximise(fit.data, start, free)
    chi2 = max(2 * (fit.penalised - restricted.value), 0.0)
    return LikelihoodRatio(chi2, len(held), float(chdtrc(len(held), chi2)))


def _separation(data: FirthData, names: Sequence[str]) -> Separation:
    some_passed, some_failed = data.passes > 0, data.passes < data.trials
    X = np.vstack([data.X[some_passed], data.X[some_failed]])
    y = np.r_[np.ones(int(some_passed.sum())), np.zeros(int(some_failed.sum()))]
    return find_separation(X, y, names)
