"""Agreement on named or ordered classes: kappa for two people and for many."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm, t

from doe.assure.binomial import pass_rate_low, score_limits

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Kappa:
    """Agreement beyond chance.

    Attributes
    ----------
    kappa : float
        1: always agree; 0: no more than by chance.
    agreement, chance : float
        Share agreed (weighted where weights are used), and what chance alone would give.
    se_chance : float
        Standard error if only chance were at work: for the test.
    se : float
        Standard error otherwise: what an interval needs.
    low, high : float
        Two-sided limits.
    p : float
        Two-sided test of no agreement beyond chance.
    coupons : float
        How many were judged.
    """

    kappa: float
    agreement: float
    chance: float
    se_chance: float
    se: float
    low: float
    high: float
    p: float
    coupons: float


@dataclass(frozen=True)
class ManyKappa:
    """Agreement of many people (Fleiss): `overall`, and one kappa a class in `classes`, with `z` of the test."""

    overall: Kappa
    classes: tuple[float, ...]
    z: float
    people: int


def cohen_kappa(
    first: Sequence[int], second: Sequence[int], *, classes: int, weighted: bool = False, assurance: float = 0.95
) -> Kappa:
    """Agreement of two people, or of one person with herself on a blind second look.

    Parameters
    ----------
    first, second : sequence of int
        Classes given to the same two coupons or more, in the same order: 0 to ``classes - 1`` (false and true are two).
    classes : int
        How many there are.
    weighted : bool
        Whether the classes are ordered: being two apart is then four times as bad as being one apart.
    assurance : float
        Of the limits.

    Examples
    --------
    >>> round(cohen_kappa([1, 1, 1, 1, 0, 0, 1, 0], [1, 1, 1, 1, 0, 0, 0, 0], classes=2).kappa, 2)
    0.75
    """
    table = np.zeros((classes, classes))
    np.add.at(table, (np.asarray(first, dtype=int), np.asarray(second, dtype=int)), 1)
    place = np.arange(classes)
    squares = np.subtract.outer(place, place).astype(float) ** 2
    return kappa_of_table(table, disagreement=squares if weighted else None, assurance=assurance)


def kappa_of_table(table: ArrayLike, *, disagreement: FloatArray | None = None, assurance: float = 0.95) -> Kappa:
    """Kappa of a table of two people's classes.

    Parameters
    ----------
    table : array, shape (classes, classes)
        Counts, two or more in all.
    disagreement : array, shape (classes, classes), optional
        How bad each pair is, 0 on the diagonal; by default every disagreement is as bad.
    assurance : float

    Returns
    -------
    Kappa
        Limits by Wilson's formula for the share agreed, chance held, with as many coupons as would give the
        large-sample standard error (never more than were judged) and a t quantile; exact when everybody agreed.
        Simulated (20 to 60 coupons) they hold better than kappa plus or minus a multiple of its standard error.
        With weights: on Fisher's scale of correlations.

    References
    ----------
    J. Cohen (1960, 1968); J. L. Fleiss, J. Cohen and B. S. Everitt (1969), *Psychological Bulletin* 72, 323-327 (both
    standard errors).
    """
    counts = np.asarray(table, dtype=float)
    n = float(counts.sum())
    k = len(counts)
    bad = 1.0 - np.eye(k) if disagreement is None else disagreement
    worst = float(bad.max())
    good = 1 - bad / worst if worst > 0 else np.ones((k, k))  # agreement weights, 1 on the diagonal
    p = counts / counts.sum()
    row, column = p.sum(axis=1), p.sum(axis=0)
    agreed, chance = float((good * p).sum()), float(row @ good @ column)
    if chance >= 1 - 1e-12:
        return _nothing_to_agree_about(agreed, chance, n)
    kappa = _beyond(agreed, chance)
    by_row, by_column = good @ column, row @ good
    both = by_row[:, None] + by_column[None, :]
    spread = (p * (good - both * (1 - kappa)) ** 2).sum() - (kappa - chance * (1 - kappa)) ** 2
    se = math.sqrt(max(float(spread), 0.0) / n) / (1 - chance)
    null = (np.outer(row, column) * (good - both) ** 2).sum() - chance**2
    se_chance = math.sqrt(max(float(null), 0.0) / n) / (1 - chance)
    if disagreement is None or k == 2 or agreed >= 1 - 1e-12:
        low, high = _limits(agreed, chance, se, n, assurance)
    else:
        low, high = _fisher_limits(kappa, _fisher_se(p, good, n), n, assurance)
    test = 2 * norm.sf(abs(kappa) / se_chance) if se_chance > 0 else 1.0
    return Kappa(kappa, agreed, chance, se_chance, se, low, high, test, n)


def fleiss_kappa(counts: ArrayLike, *, assurance: float = 0.95) -> ManyKappa:
    """Agreement of many people who each gave every coupon one class.

    Parameters
    ----------
    counts : array, shape (coupons, classes)
        How many people gave each class; two coupons or more, and the same two people or more for every one.
    assurance : float
        Of the limits.

    Returns
    -------
    ManyKappa
        Standard error for the limits by leaving out one coupon at a time.

    References
    ----------
    J. L. Fleiss (1971), *Psychological Bulletin* 76, 378-382; J. L. Fleiss, J. C. M. Nee and J. R. Landis (1979),
    *Psychological Bulletin* 86, 974-977 (variance under chance).
    """
    table = np.asarray(counts, dtype=float)
    n, m = len(table), float(table[0].sum())
    agreed, chance = _fleiss_parts(table, m)
    share = table.sum(axis=0) / table.sum()
    rest = 1 - share
    with np.errstate(invalid="ignore", divide="ignore"):
        each = 1 - (table * (m - table)).sum(axis=0) / (n * m * (m - 1) * share * rest)
    if chance >= 1 - 1e-12:
        return ManyKappa(_nothing_to_agree_about(agreed, chance, n), tuple(each), 0.0, int(m))
    kappa = _beyond(agreed, chance)
    both = float(share @ rest)
    variance = 2 / (n * m * (m - 1)) * (both**2 - float((share * rest * (rest - share)).sum())) / both**2
    se_chance = math.sqrt(max(variance, 0.0))
    z = kappa / se_chance if se_chance > 0 else math.inf
    se = _fleiss_jackknife(table, m)
    # m people give at most the information of m - 1 pairs a coupon
    low, high = _limits(agreed, chance, se, n, assurance, most=n * (m - 1))
    overall = Kappa(kappa, agreed, chance, se_chance, se, low, high, 2 * norm.sf(abs(z)), n)
    return ManyKappa(overall, tuple(float(v) for v in each), z, int(m))


def _beyond(share: float, chance: float) -> float:
    """A share agreed, on the scale where chance is 0 and agreement on everything 1."""
    return (share - chance) / (1 - chance)


def _nothing_to_agree_about(agreed: float, chance: float, n: float) -> Kappa:
    """Where everybody gave one class to everything."""
    return Kappa(math.nan, agreed, chance, math.nan, math.nan, -1.0, 1.0, 1.0, n)


def _fleiss_parts(table: FloatArray, m: float) -> tuple[float, float]:
    agreed = float(((table**2).sum(axis=1) - m).mean() / (m * (m - 1)))
    share = table.sum(axis=0) / table.sum()
    return agreed, float(share @ share)


def _fleiss_jackknife(table: FloatArray, m: float) -> float:
    n = len(table)
    values = []
    for i in range(n):
        agreed, chance = _fleiss_parts(np.delete(table, i, axis=0), m)
        values.append(_beyond(agreed, chance) if chance < 1 - 1e-12 else 1.0)
    return float(math.sqrt((n - 1) / n * np.sum((np.array(values) - np.mean(values)) ** 2)))


def _fisher_limits(kappa: float, se: float, n: float, assurance: float) -> tuple[float, float]:
    """Limits on Fisher's scale, with a standard error on that scale."""
    if abs(kappa) >= 1 - 1e-9 or not 0 < se < math.inf:
        return -1.0, 1.0
    half = t.ppf((1 + assurance) / 2, n - 1) * se
    return math.tanh(math.atanh(kappa) - half), math.tanh(math.atanh(kappa) + half)


def _fisher_se(p: FloatArray, good: FloatArray, n: float) -> float:
    """Standard error on Fisher's scale by leaving out one coupon at a time; with few coupons the formula is too small.

    A weighted kappa behaves like a correlation, hence the scale.
    """
    cells = np.argwhere(p > 0)
    values = []
    for i, j in cells:
        less = p * n
        less[i, j] = max(less[i, j] - 1, 0.0)
        less /= less.sum()
        agreed, chance = float((good * less).sum()), float(less.sum(axis=1) @ good @ less.sum(axis=0))
        values.append(_beyond(agreed, chance) if chance < 1 - 1e-12 else 0.0)
    z = np.arctanh(np.clip(values, -1 + 1e-9, 1 - 1e-9))
    share = np.array([p[i, j] for i, j in cells])
    return math.sqrt((n - 1) * float(share @ (z - share @ z) ** 2))


def _limits(
    agreed: float, chance: float, se: float, n: float, assurance: float, *, most: float | None = None
) -> tuple[float, float]:
    """Wilson's limits of the share agreed, turned into kappa; ``most`` coupons at most may be behind it."""
    always, never = agreed >= 1 - 1e-12, agreed <= 1e-12
    if always or never or se <= 0:
        # nobody ever disagreed, or ever agreed: the exact limits of a share that was all or nothing
        sure = pass_rate_low(int(n), int(n), (1 + assurance) / 2)
        share_low, share_high = sure if always else 0.0, 1 - sure if never else 1.0
        return max(_beyond(share_low, chance), -1.0), _beyond(share_high, chance)
    # a share agreed cannot be known better than from n coupons; few coupons make se too small now and then
    worth = min(agreed * (1 - agreed) / (se * (1 - chance)) ** 2, n if most is None else most)
    low, high = score_limits(agreed, worth, t.ppf((1 + assurance) / 2, n - 1))
    return max(_beyond(low, chance), -1.0), min(_beyond(high, chance), 1.0)
