"""How many coupons a comparison needs, before it starts and while it runs."""

from __future__ import annotations

import math

import numpy as np
from scipy.stats import binom, norm

from doe.assure.comparison.rate_difference import paired_p_values, separate_p_values, trinomial
from doe.domain.errors import InputError

MOST_EXACT = 160
"""Up to so many strokes or coupons sizes are found by counting outcomes; above, by normal theory."""


def paired_power(strokes: int, rate: float, *, margin: float, alpha: float = 0.10, shared: float = 0.0) -> float:
    """Probability that the exact paired test shows non-inferiority when both materials pass alike.

    Parameters
    ----------
    strokes : int
    rate : float
        True pass rate of both.
    margin, alpha : float
    shared : float
        0: coupons of a stroke are independent; 1: they always pass or fail together.
    """
    p = paired_p_values(strokes, margin)
    b, c = np.nonzero(p <= alpha)  # NaN compares false
    differ = rate * (1 - rate) * (1 - shared)
    return float(trinomial(b, c, strokes, [differ], [differ]).sum())


def separate_power(coupons: int, rate: float, *, margin: float, alpha: float = 0.10) -> float:
    """Probability that the exact test on separate coupons shows non-inferiority when both pass alike."""
    p = separate_p_values(coupons, coupons, margin)
    chance = binom.pmf(np.arange(coupons + 1), coupons, rate)
    return float(chance @ (p <= alpha) @ chance)


def strokes_for_rates(
    rate: float, *, margin: float, alpha: float = 0.10, power: float = 0.80, paired: bool = True, shared: float = 0.0
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
    shared : float
        As in `paired_power`.

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
    _check(rate, margin, alpha, power)

    def reached(n: int) -> bool:
        if paired:
            return paired_power(n, rate, margin=margin, alpha=alpha, shared=shared) >= power
        return separate_power(n, rate, margin=margin, alpha=alpha) >= power

    spread = 2 * rate * (1 - rate) * ((1 - shared) if paired else 1.0)
    normal = math.ceil((norm.ppf(1 - alpha) + norm.ppf(power)) ** 2 * spread / margin**2)
    if normal > MOST_EXACT:
        return normal
    # no outcome of fewer coupons can show it: nothing failing at all has probability (1 - margin)^n at least
    n = max(math.ceil(math.log(alpha) / math.log1p(-margin)) if paired else 2, normal // 2, 2)
    while n <= MOST_EXACT + 40:  # the exact test may need a few more than normal theory says
        if all(reached(n + i) for i in range(3)):
            return n
        n += 1
    return max(normal, n)


def _check(rate: float, margin: float, alpha: float, power: float) -> None:
    """Refuse what no size can be found for.

    Raises
    ------
    InputError
        If pass rate, margin, risk or power is outside its range.
    """
    if not 0 < rate < 1:
        raise InputError("pass rate", rate, "between 0 and 1", "Write 95 % as 0.95.")
    if not 0 <= margin < 1:
        raise InputError("margin", margin, "0 to below 1", "Write a drop of 10 points as 0.10.")
    if not (0 < alpha < 0.5 and alpha < power < 1):
        raise InputError(
            "risk and power", f"{alpha}, {power}", "risk below 0.5, power above it and below 1", "Write 10 % as 0.10."
        )
