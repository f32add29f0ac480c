"""Difference of two pass rates: limits, and tests that the new one is not worse by more than a margin."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, xlogy
from scipy.stats import binom, norm

from doe.assure.binomial import RateInterval, wilson_interval

FloatArray = NDArray[np.float64]

MOST_OUTCOMES = 60_000
"""Above so many possible outcomes the exact p is not counted out; the normal one, by then as good, stands for it."""

_NUISANCE = 301  # values of the unknown common rate over which an exact p is maximised


@dataclass(frozen=True)
class RateDifference:
    """Pass rate of new minus old, with two-sided limits."""

    difference: float
    low: float
    high: float


@dataclass(frozen=True)
class NonInferiority:
    """Test that new is worse than old by the margin or more: ``z`` (score), ``p`` by the normal, ``p_exact``.

    A small p shows that new is *not* that much worse. ``restricted`` are the two rates most likely if it just were.
    """

    z: float
    p: float
    p_exact: float
    restricted: tuple[float, float]


@dataclass(frozen=True)
class Pairs:
    """Outcomes of strokes that held both materials: both passed, only new, only old, neither."""

    both: int
    only_new: int
    only_old: int
    neither: int

    @property
    def count(self) -> int:
        """Number of pairs."""
        return self.both + self.only_new + self.only_old + self.neither


def separate_difference(
    new_passed: int, new_coupons: int, old_passed: int, old_coupons: int, assurance: float = 0.90
) -> RateDifference:
    """Limits of the difference of two independent pass rates.

    Parameters
    ----------
    new_passed, new_coupons, old_passed, old_coupons : int
    assurance : float
        Of the two-sided limits.

    References
    ----------
    R. G. Newcombe (1998), *Statistics in Medicine* 17, 873-890, method 10 (Wilson limits combined, no continuity
    correction).

    Examples
    --------
    >>> found = separate_difference(56, 70, 48, 80, 0.95)
    >>> round(found.low, 4), round(found.high, 4)
    (0.0524, 0.3339)
    """
    new, old = wilson_interval(new_passed, new_coupons, assurance), wilson_interval(old_passed, old_coupons, assurance)
    return _combined(new, old)


def paired_difference(pairs: Pairs, assurance: float = 0.90) -> RateDifference:
    """Limits of the difference of two pass rates from pairs (strokes that held both).

    Notes
    -----
    Two coupons of one stroke share its heat: they pass and fail together, which makes the difference surer.

    References
    ----------
    R. G. Newcombe (1998), *Statistics in Medicine* 17, 2635-2650, method 10 (Wilson limits combined with the
    correlation of the pairs, corrected for continuity).
    """
    n = pairs.count
    new = wilson_interval(pairs.both + pairs.only_new, n, assurance)
    old = wilson_interval(pairs.both + pairs.only_old, n, assurance)
    products = pairs.both * pairs.neither - pairs.only_new * pairs.only_old
    below = math.sqrt(n**4 * new.rate * (1 - new.rate) * old.rate * (1 - old.rate))
    above = max(products - n / 2, 0.0) if products > 0 else float(products)
    return _combined(new, old, above / below if below > 0 else 0.0)


def _combined(new: RateInterval, old: RateInterval, phi: float = 0.0) -> RateDifference:
    """Newcombe's limits from those of both rates; ``phi`` is the correlation of the pairs."""
    d = new.rate - old.rate
    down, up = (new.rate - new.low, old.high - old.rate), (new.high - new.rate, old.rate - old.low)
    low, high = (math.sqrt(max(a**2 - 2 * phi * a * b + b**2, 0.0)) for a, b in (down, up))
    return RateDifference(d, d - low, d + high)


def non_inferior_separate(
    new_passed: int, new_coupons: int, old_passed: int, old_coupons: int, *, margin: float
) -> NonInferiority:
    """Test, from independent coupons, that new is worse than old by ``margin`` or more.

    Parameters
    ----------
    new_passed, new_coupons, old_passed, old_coupons : int
    margin : float
        Largest drop of the pass rate that would do no harm, between 0 and 1.

    Returns
    -------
    NonInferiority

    References
    ----------
    C. P. Farrington and G. Manning (1990), *Statistics in Medicine* 9, 1447-1454 (score with restricted rates);
    I. S. F. Chan (1998), *Statistics in Medicine* 17, 1403-1413 (exact, ordered by that score).
    """
    x, y = np.array([float(new_passed)]), np.array([float(old_passed)])
    z, p_new, p_old = _separate_score(x, new_coupons, y, old_coupons, margin)
    p = exact = norm.sf(z[0])
    if new_coupons * old_coupons <= MOST_OUTCOMES:
        exact = float(separate_p_values(new_coupons, old_coupons, margin)[new_passed, old_passed])
    return NonInferiority(float(z[0]), p, exact, (float(p_new[0]), float(p_old[0])))


def non_inferior_pairs(pairs: Pairs, *, margin: float) -> NonInferiority:
    """Test, from pairs, that new is worse than old by ``margin`` or more.

    Returns
    -------
    NonInferiority
        ``restricted`` are the chances of "only new" and "only old" most likely if it just were.

    References
    ----------
    T. Tango (1998), *Statistics in Medicine* 17, 891-908 (score); the exact p is the largest over the unknown chance of
    differing pairs, ordered by that score.
    """
    b, c = np.array([float(pairs.only_new)]), np.array([float(pairs.only_old)])
    z, only_old = _paired_score(b, c, pairs.count, margin)
    p = exact = norm.sf(z[0])
    if pairs.count**2 / 2 <= MOST_OUTCOMES:
        exact = float(paired_p_values(pairs.count, margin)[pairs.only_new, pairs.only_old])
    q = float(only_old[0])
    return NonInferiority(float(z[0]), p, exact, (q - margin, q))


@lru_cache(maxsize=64)
def separate_p_values(new_coupons: int, old_coupons: int, margin: float) -> FloatArray:
    """Exact one-sided p of every outcome, shape (new_coupons + 1, old_coupons + 1)."""
    x, y = np.meshgrid(np.arange(new_coupons + 1.0), np.arange(old_coupons + 1.0), indexing="ij")
    z = _separate_score(x.ravel(), new_coupons, y.ravel(), old_coupons, margin)[0]
    old = np.linspace(margin, 1.0, _NUISANCE)  # new = old - margin must stay in 0..1
    grid_new = np.asarray(binom.pmf(np.arange(new_coupons + 1)[None, :], new_coupons, (old - margin)[:, None]))
    grid_old = np.asarray(binom.pmf(np.arange(old_coupons + 1)[None, :], old_coupons, old[:, None]))
    chance = (grid_new[:, :, None] * grid_old[:, None, :]).reshape(len(old), -1)
    return _largest_tail(z, chance).reshape(new_coupons + 1, old_coupons + 1)


@lru_cache(maxsize=64)
def paired_p_values(pairs: int, margin: float) -> FloatArray:
    """Exact one-sided p of every outcome (only new, only old), shape (pairs + 1, pairs + 1); NaN where impossible."""
    b, c = np.meshgrid(np.arange(pairs + 1.0), np.arange(pairs + 1.0), indexing="ij")
    possible = b + c <= pairs
    z = _paired_score(b[possible], c[possible], pairs, margin)[0]
    only_old = np.linspace(margin, (1 + margin) / 2, _NUISANCE)  # only new = only old - margin; together at most 1
    chance = trinomial(b[possible], c[possible], pairs, only_old - margin, only_old)
    out = np.full(b.shape, np.nan)
    out[possible] = _largest_tail(z, chance)
    return out


def trinomial(b: ArrayLike, c: ArrayLike, n: int, p_b: ArrayLike, p_c: ArrayLike) -> FloatArray:
    """Probability of b and c out of n, shape (rates, outcomes), for rates of shape (rates,)."""
    first, second = np.asarray(b, dtype=float), np.asarray(c, dtype=float)
    rest = n - first - second
    chance_b, chance_c = (np.clip(np.asarray(p, dtype=float), 0, 1)[:, None] for p in (p_b, p_c))
    ways = gammaln(n + 1) - gammaln(first + 1) - gammaln(second + 1) - gammaln(rest + 1)
    left = np.clip(1 - chance_b - chance_c, 0, 1)
    logs = ways + xlogy(first, chance_b) + xlogy(second, chance_c) + xlogy(rest, left)
    return np.asarray(np.exp(logs))


def _largest_tail(z: FloatArray, chance: FloatArray) -> FloatArray:
    """For each outcome the largest probability, over the rows of ``chance``, of a score as high or higher."""
    order = np.argsort(-z, kind="stable")
    tails = np.cumsum(chance[:, order], axis=1).max(axis=0)
    ranked = z[order]
    # outcomes of equal score belong together: each takes the tail of the last of them
    last = np.searchsorted(-ranked, -ranked + 1e-9, side="right") - 1
    out = np.empty_like(z)
    out[order] = np.minimum(tails[last], 1.0)
    return out


def _separate_score(
    x: FloatArray, m: int, y: FloatArray, n: int, margin: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Farrington and Manning's z, and the restricted rates of new and old; a cubic in closed form."""
    p_new, p_old = x / m, y / n
    s = -margin  # new - old under the hypothesis
    ratio = n / m
    a = 1 + ratio
    b = -(1 + ratio + p_new + ratio * p_old + s * (ratio + 2))
    c = s**2 + s * (2 * p_new + ratio + 1) + p_new + ratio * p_old
    d = -p_new * s * (1 + s)
    v = b**3 / (27 * a**3) - b * c / (6 * a**2) + d / (2 * a)
    u = np.sign(v) * np.sqrt(np.maximum(b**2 / (9 * a**2) - c / (3 * a), 0))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio_v = np.where(u != 0, v / u**3, 0.0)
    w = (math.pi + np.arccos(np.clip(ratio_v, -1, 1))) / 3
    new = np.asarray(np.clip(2 * u * np.cos(w) - b / (3 * a), 0, 1 - margin))
    old = np.clip(new + margin, 0, 1)
    variance = new * (1 - new) / m + old * (1 - old) / n
    return _score(p_new - p_old + margin, variance), new, old


def _paired_score(b: FloatArray, c: FloatArray, n: int, margin: float) -> tuple[FloatArray, FloatArray]:
    """Tango's z, and the restricted chance of "only old"."""
    s = -margin
    B = b * (1 + s) + c * (1 - s) - 2 * n * s
    C = c * s * (1 - s)
    q = (B + np.sqrt(np.maximum(B**2 + 8 * n * C, 0))) / (4 * n)
    q = np.clip(q, margin, (1 + margin) / 2)
    variance = n * (2 * q + s - s**2)
    return _score(b - c + n * margin, variance), q


def _score(gain: FloatArray, variance: FloatArray) -> FloatArray:
    """A gain in standard errors; where nothing scatters its sign decides."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(variance > 0, gain / np.sqrt(variance), np.where(gain == 0, 0, np.copysign(np.inf, gain)))
