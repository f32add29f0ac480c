"""What is decided before the coupons of a comparison are made: margins, sizes, what the first round may say."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln
from scipy.stats import binom, norm

from doe.assure.binomial import RateInterval, wilson_interval
from doe.assure.comparison.staged import Stage
from doe.domain.factors import LEFT_OUT_WHEN_NONE
from doe.domain.finding import Finding, Value
from doe.domain.spec import Spec

FloatArray = NDArray[np.float64]

MOST_OUTCOMES = 60_000
"""Above so many possible outcomes the exact p is not counted out; the normal one, by then as good, stands for it."""

_NEVER = -1e300  # stands for the logarithm of zero: nothing times it is zero
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


def paired_difference(pairs: Pairs, assurance: float) -> RateDifference:
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
    # a logarithm a rate, not one an outcome; nothing out of nothing is certain
    log_b, log_c, log_left = (np.log(p, out=np.full_like(p, _NEVER), where=p > 0) for p in (chance_b, chance_c, left))
    return np.asarray(np.exp(ways + first * log_b + second * log_c + rest * log_left))


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


MOST_EXACT = 160
"""Up to so many strokes or coupons sizes are found by counting outcomes; above, by normal theory."""

FirstRoundCode = Literal["may_hold", "cannot_hold", "may_retune", "may_go_on", "may_end_open"]
"""What the first round may say; `doe.words.comparison` says with which words."""


@dataclass(frozen=True)
class ComparisonPlan:
    """What is decided before the coupons are made, and never changed after.

    Attributes
    ----------
    recipe, revision
        The released recipe that is compared with.
    in_use, new : str
        Names of the parts that differ; ``differs`` says how, part by part.
    stack : str
        Name of the new stack.
    rate_margin, hand_margin : float
        Drop of the pass rate, and difference of hand-feel, that would do no harm.
    power, assurance, looks
        Chance of showing it when both are alike; how sure the verdict is meant to be over all looks together.
    supposed_rate : float
        Pass rate that the sizes suppose of both.
    strokes, edge_strokes : int
        Pairs at the setpoint, and at each of the ``edges``, in the first round.
    stages : tuple of Stage, optional
        The rule of a staged comparison; None for a full one. Margin and power have no part in it.
    blind : bool, optional
        Whether sheets and pages carry codes only, and which material each is stands on a key; None where it does not.
    waits : mapping, optional
        Wait before the peel of each material, in s, where two films are peeled differently; None where they share one.
    """

    recipe: str
    revision: int
    in_use: str
    new: str
    differs: Mapping[str, str]
    stack: str
    rate_margin: float
    hand_margin: float
    power: float
    assurance: float
    looks: int
    supposed_rate: float
    strokes: int
    edge_strokes: int
    edges: tuple[str, ...]
    stages: tuple[Stage, ...] | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    blind: bool | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    waits: Mapping[str, float] | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})

    @property
    def risk(self) -> float:
        """Risk of each one-sided decision, the looks sharing what is left beside the assurance."""
        return (1 - self.assurance) / self.looks


def first_round(plan: ComparisonPlan, spec: Spec) -> tuple[Finding, ...]:
    """What may come out of the first round, a verdict each; codes as in `FirstRoundCode`.

    ``may_hold``: strokes in which only the new material may fail while the verdict still stands (``spare``), how often
    the pass rate is shown where both materials pass as supposed (``power``), and how often the edges show no failure
    where each just holds the wanted rate (``edge_power``, None without edges). ``cannot_hold``: the least strokes from
    which on it could. ``may_retune``: strokes in which only the new material fails, from which on it is *retune*
    (``worse``, None where that cannot come out). ``may_go_on``: rounds that may follow.
    """
    n, risk, margin = plan.strokes, plan.risk, plan.rate_margin
    edges, hand = bool(plan.edges), spec.hand_min is not None
    least = math.ceil(math.log(risk) / math.log1p(-margin))

    def only_new_fails(strokes: int) -> Pairs:
        return Pairs(n - strokes, 0, strokes, 0)

    def still_holds(strokes: int) -> bool:
        return non_inferior_pairs(only_new_fails(strokes), margin=margin).p_exact <= risk

    def is_worse(strokes: int) -> bool:
        return paired_difference(only_new_fails(strokes), 1 - 2 * risk).high < 0

    def finding(code: FirstRoundCode, **values: Value) -> Finding:
        return Finding(code, values)

    holds = finding("cannot_hold", strokes=n, least=least, rate_margin=margin)
    if n >= least:
        holds = finding(
            "may_hold",
            strokes=n,
            spare=next((k for k in range(n) if not still_holds(k + 1)), n),
            power=paired_power(n, plan.supposed_rate, margin=margin, alpha=risk),
            supposed=plan.supposed_rate,
            edge_power=spec.pass_rate ** (plan.edge_strokes * len(plan.edges)) if edges else None,
            wanted=spec.pass_rate,
            hand=hand,
        )
    worse = next((k for k in range(1, n + 1) if is_worse(k)), None)
    rounds = plan.looks - 1
    rest = finding("may_go_on", rounds=rounds) if rounds else finding("may_end_open")
    return holds, finding("may_retune", worse=worse, edges=edges, hand=hand), rest


@lru_cache(maxsize=4096)
def paired_power(strokes: int, rate: float, *, margin: float, alpha: float = 0.10) -> float:
    """Probability that the exact paired test shows non-inferiority when both materials pass alike.

    Parameters
    ----------
    strokes : int
    rate : float
        True pass rate of both.
    margin, alpha : float
    """
    p = paired_p_values(strokes, margin)
    b, c = np.nonzero(p <= alpha)  # NaN compares false
    differ = rate * (1 - rate)
    return float(trinomial(b, c, strokes, [differ], [differ]).sum())


@lru_cache(maxsize=4096)
def separate_power(coupons: int, rate: float, *, margin: float, alpha: float = 0.10) -> float:
    """Probability that the exact test on separate coupons shows non-inferiority when both pass alike."""
    p = separate_p_values(coupons, coupons, margin)
    chance = binom.pmf(np.arange(coupons + 1), coupons, rate)
    return float(chance @ (p <= alpha) @ chance)


@lru_cache(maxsize=256)
def strokes_for_rates(
    rate: float, *, margin: float, alpha: float = 0.10, power: float = 0.80, paired: bool = True
) -> int:
    """Strokes (paired) or coupons of each material to show non-inferiority of the pass rate.

    Parameters
    ----------
    rate : float
        True pass rate supposed of both materials.
    margin : float
        Drop that would do no harm.
    alpha : float
        Risk of calling a worse material good enough.
    power : float
        Chance of showing it when both are alike.
    paired : bool

    Returns
    -------
    int
        The smallest number from which on the exact test keeps the power for three numbers in a row (its power moves in
        a saw-tooth); above `MOST_EXACT` by normal theory.

    Examples
    --------
    >>> strokes_for_rates(0.98, margin=0.15)
    25
    """
    power_of = paired_power if paired else separate_power

    @cache  # a number is looked at as the last of three, and again before the next ones
    def reached(n: int) -> bool:
        return power_of(n, rate, margin=margin, alpha=alpha) >= power

    normal = math.ceil((norm.ppf(1 - alpha) + norm.ppf(power)) ** 2 * (2 * rate * (1 - rate)) / margin**2)
    if normal > MOST_EXACT:
        return normal
    # no outcome of fewer coupons can show it: nothing failing at all has probability (1 - margin)^n at least
    least = max(math.ceil(math.log(alpha) / math.log1p(-margin)) if paired else 2, normal // 2, 2)
    most = MOST_EXACT + 41  # the exact test may need a few more than normal theory says
    n = least
    # the last of three that falls short rules out all that begin up to there: most numbers are never counted out
    while n < most and (short := next((n + i for i in (2, 1, 0) if not reached(n + i)), None)) is not None:
        n = short + 1
    return min(n, most)
