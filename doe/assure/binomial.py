"""What a count of passes says about the pass rate, and how many coupons a claim needs."""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass

from scipy.stats import beta, binom, norm

from doe.domain.errors import InputError

# Boundaries such as 0.8**n = 0.1 are met exactly on paper and missed by rounding in floating point.
_SLACK = 1e-12
_MOST_COUPONS = 10_000_000


def pass_rate_low(passed: int, coupons: int, assurance: float = 0.90) -> float:
    """Lower limit of the pass rate behind `passed` out of `coupons`.

    Exact one-sided binomial limit. It is cautious: the true pass rate lies at or above it with at
    least the stated assurance, however few coupons there are.

    Parameters
    ----------
    passed : int
        Coupons that met every check, 0 <= passed <= coupons. Void coupons do not count.
    coupons : int
        Coupons scored, at least 1, all made at the same settings.
    assurance : float
        Probability that the statement is true, between 0 and 1 (0.90 means 90 %).

    Returns
    -------
    float
        Proportion between 0 and 1.

    Notes
    -----
    Coupons pressed in one stroke are not independent; the limit is then too high.

    References
    ----------
    C. J. Clopper and E. S. Pearson (1934), *Biometrika* 26(4), 404-413.

    Examples
    --------
    >>> round(pass_rate_low(18, 20, assurance=0.90), 3)
    0.755
    """
    if passed == 0:
        return 0.0  # the beta quantile is undefined here; the limit itself is exactly zero
    return float(beta.ppf(1 - assurance, passed, coupons - passed + 1))


def pass_rate_high(passed: int, coupons: int, assurance: float = 0.90) -> float:
    """Upper limit of the pass rate: the mirror of `pass_rate_low`, with failures for passes.

    After no failure in n coupons, 1 minus the lower limit is the familiar "rule of three".

    Examples
    --------
    >>> round(pass_rate_high(0, 20, assurance=0.95), 6)
    0.139108
    """
    return 1.0 - pass_rate_low(coupons - passed, coupons, assurance)


@dataclass(frozen=True)
class RateInterval:
    """Two-sided limits of a pass rate, and the share of passes itself."""

    rate: float
    low: float
    high: float


def wilson_interval(passed: int, coupons: int, assurance: float = 0.95) -> RateInterval:
    """Wilson's score limits of the pass rate.

    Shorter than the exact limits and right on average, not for every pass rate: for description,
    never for acceptance.

    Parameters
    ----------
    passed, coupons, assurance
        As in `pass_rate_low`.

    References
    ----------
    E. B. Wilson (1927), *JASA* 22, 209-212; R. G. Newcombe (1998), *Statistics in Medicine* 17, 857-872.

    Examples
    --------
    >>> found = wilson_interval(1, 29)
    >>> round(found.low, 4), round(found.high, 4)
    (0.0061, 0.1718)
    """
    z = float(norm.ppf((1 + assurance) / 2))
    rate, n = passed / coupons, coupons
    low, high = score_limits(rate, n, z)
    # At 0 and n passes one limit is exactly the end; rounding must not push it over.
    return RateInterval(rate, 0.0 if passed == 0 else max(low, 0.0), 1.0 if passed == coupons else min(high, 1.0))


def score_limits(rate: float, n: float, z: float) -> tuple[float, float]:
    """Wilson's limits of a rate seen in n trials, ``z`` the quantile; rounding may push them just beyond 0 or 1."""
    middle = (rate + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z * math.sqrt(rate * (1 - rate) / n + z**2 / (4 * n**2)) / (1 + z**2 / n)
    return middle - half, middle + half


def coupons_for_failures(pass_rate: float, assurance: float = 0.90, *, failures: int) -> int:
    """Smallest number of coupons for which at most `failures` failures show at least `pass_rate`.

    Parameters
    ----------
    pass_rate : float
        Pass rate to be shown, strictly between 0 and 1.
    assurance : float
        Strictly between 0 and 1.
    failures : int
        Failures allowed, 0 or more; decided before the coupons are made.

    Returns
    -------
    int

    Raises
    ------
    InputError
        If a number is outside its range.

    Notes
    -----
    Adding coupons until the rule is met is not this plan: it proves less than it says.

    References
    ----------
    S. S. Wilks (1941), *Annals of Mathematical Statistics* 12, 91-96; ISO 16269-6 (first-to-last sizes
    are the case of one failure).

    Examples
    --------
    >>> coupons_for_failures(0.95, 0.95, failures=1)
    93
    """
    if not 0 < assurance < 1:
        raise InputError("assurance", assurance, "between 0 and 1", "Write 90 % as 0.90.")
    if not 0 < pass_rate < 1:
        raise InputError("pass rate", pass_rate, "between 0 and 1", "Write 95 % as 0.95.")
    if failures < 0:
        raise InputError("failures", failures, "0 or more", "Say how many failures the plan forgives.")
    risk = 1 - assurance + _SLACK

    def shows(n: int) -> bool:
        # With a true rate of just pass_rate, the plan must be failed often enough.
        return bool(binom.cdf(failures, n, 1 - pass_rate) <= risk)

    found = bisect_left(range(_MOST_COUPONS), True, lo=failures + 1, key=shows)
    if found == _MOST_COUPONS:
        raise InputError("pass rate", pass_rate, "a rate that fewer than ten million coupons can show", "Ask for less.")
    return found
