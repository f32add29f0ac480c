"""Normal tolerance factors: how many standard deviations hold a share of all prints, with assurance."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.stats import chi2, ncx2, norm
from scipy.stats import nct as noncentral_t

from doe.domain.errors import InputError

Method = Literal["exact", "howe", "wald-wolfowitz"]


@dataclass(frozen=True)
class ToleranceFactor:
    """Factor k of mean +- k sd (or one end of it), and how it was found."""

    k: float
    sides: Literal[1, 2]
    method: Method


@dataclass(frozen=True)
class ToleranceInterval:
    """Where a share of all prints lies, with assurance; an open end is infinite."""

    low: float
    high: float
    mean: float
    sd: float
    factor: ToleranceFactor


def one_sided_factor(values: int, share: float = 0.95, assurance: float = 0.90) -> ToleranceFactor:
    """Factor for a one-sided tolerance limit of normal values.

    Parameters
    ----------
    values : int
        How many values mean and standard deviation come from, at least 2.
    share : float
        Of all prints to be held.
    assurance : float

    Returns
    -------
    ToleranceFactor
        Exact, by the noncentral t.

    Notes
    -----
    For measured, roughly normal values; a pass rate is not one. Values from one stroke are not independent.

    References
    ----------
    ISO 16269-6; D. B. Owen (1968), *Technometrics* 10, 445-478 (from memory).

    Examples
    --------
    >>> round(one_sided_factor(10, 0.95, 0.95).k, 3)
    2.911
    """
    _check(values, share, assurance)
    root = math.sqrt(values)
    k = float(noncentral_t.ppf(assurance, values - 1, norm.ppf(share) * root)) / root
    return ToleranceFactor(k, 1, "exact")


def two_sided_factor(
    values: int, share: float = 0.95, assurance: float = 0.90, *, method: Method = "exact"
) -> ToleranceFactor:
    """Factor for a two-sided tolerance interval of normal values, centred on the mean.

    Parameters
    ----------
    values, share, assurance
        As in `one_sided_factor`.
    method : {"exact", "howe", "wald-wolfowitz"}
        The two approximations are those of older tables; below 10 values the three differ in the second decimal.

    References
    ----------
    R. E. Odeh and D. B. Owen (1980), *Tables for Normal Tolerance Limits* (exact); W. G. Howe (1969), *JASA* 64,
    610-620; A. Wald and J. Wolfowitz (1946), *Annals of Mathematical Statistics* 17, 208-215. From memory.

    Examples
    --------
    >>> [round(two_sided_factor(7, 0.95, 0.95, method=m).k, 3) for m in ("exact", "wald-wolfowitz")]
    [4.02, 4.007]
    """
    _check(values, share, assurance)
    df = values - 1
    low_chi = float(chi2.ppf(1 - assurance, df))
    if method == "howe":
        k = float(norm.ppf((1 + share) / 2)) * math.sqrt(df * (1 + 1 / values) / low_chi)
    elif method == "wald-wolfowitz":
        # the half-width that holds the share when the mean is off by one of its standard deviations
        k = float(_reach(np.array([1 / values]), share)[0]) * math.sqrt(df / low_chi)
    else:
        k = _exact_two_sided(values, share, assurance)
    return ToleranceFactor(k, 2, method)


def tolerance_interval(
    values: ArrayLike,
    *,
    share: float = 0.95,
    assurance: float = 0.90,
    side: Literal["both", "low", "high"] = "both",
) -> ToleranceInterval:
    """Interval that holds a share of all prints with assurance, from measured values.

    Parameters
    ----------
    values : array, shape (values,)
        Independent, roughly normal.
    share, assurance : float
    side : {"both", "low", "high"}
        ``low``: only a lower limit; ``high``: only an upper one.

    Examples
    --------
    >>> found = tolerance_interval([3.5, 4.0, 4.5, 4.0, 3.5], side="low")
    >>> round(found.low, 2), found.factor.method
    (2.48, 'exact')
    """
    data = np.asarray(values, dtype=float)
    if data.ndim != 1 or not np.isfinite(data).all():
        raise InputError("tolerance interval", "missing values", "finite numbers", "Leave coupons without a value out.")
    find = two_sided_factor if side == "both" else one_sided_factor
    factor = find(len(data), share, assurance)
    mean, sd = float(data.mean()), float(data.std(ddof=1))
    low = mean - factor.k * sd if side != "high" else -math.inf
    high = mean + factor.k * sd if side != "low" else math.inf
    return ToleranceInterval(low, high, mean, sd, factor)


def _reach(
    squared_offset: np.ndarray[tuple[int], np.dtype[np.float64]], share: float
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Half-width r with P(|Z + offset| <= r) = share: the root of a noncentral chi-square quantile."""
    return np.asarray(np.sqrt(ncx2.ppf(share, 1, squared_offset)))


def _exact_two_sided(values: int, share: float, assurance: float) -> float:
    """Solve P(content of mean +- k s >= share) = assurance, averaging over where the mean falls."""
    nodes, weights = np.polynomial.legendre.leggauss(80)
    end = 8.5  # standard errors of the mean; beyond, its density is below 1e-16
    z = (nodes + 1) * end / 2
    density = 2 * norm.pdf(z) * weights * end / 2
    df = values - 1
    reach = _reach(np.maximum(z**2 / values, 1e-12), share)

    def short(k: float) -> float:
        return float(density @ chi2.sf(df * reach**2 / k**2, df)) - assurance

    low, high = float(norm.ppf((1 + share) / 2)) * 0.5, 10.0
    while short(high) < 0:
        high *= 4
    return float(brentq(short, low, high, xtol=1e-10))


def _check(values: int, share: float, assurance: float) -> None:
    if values < 2:
        raise InputError("tolerance interval", f"{values} values", "2 or more", "Measure more coupons.")
    for where, number in (("share", share), ("assurance", assurance)):
        if not 0 < number < 1:
            raise InputError(where, number, "between 0 and 1", "Write 95 % as 0.95.")
