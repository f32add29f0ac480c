"""Smallest effect a plan would likely show."""

from __future__ import annotations

import math
from functools import lru_cache

from scipy.optimize import brentq
from scipy.stats import nct, t


def power_of_effect(effect: float, standard_error: float, df: float, *, alpha: float = 0.10) -> float:
    """Chance that a two-sided t test at level alpha shows an effect of this size.

    Parameters
    ----------
    effect, standard_error : float
        In the same unit, for instance residual standard deviations.
    df : float
        Error degrees of freedom, above 0.
    alpha : float

    Examples
    --------
    A two-level plan of 16 coupons and an effect of 2 standard deviations, 8 error degrees of freedom:

    >>> round(power_of_effect(2, 2 / 16**0.5, 8, alpha=0.05), 5)
    0.93674
    """
    return _power(abs(effect) / standard_error, df, alpha)


def _power(shift: float, df: float, alpha: float) -> float:
    limit = float(t.ppf(1 - alpha / 2, df))
    # beyond a shift of 5 the far tail is below 1e-8, and SciPy's value of it may be NaN
    far_tail = float(nct.cdf(-limit, df, shift)) if shift < 5 else 0.0
    return float(nct.sf(limit, df, shift)) + far_tail


def smallest_effect(standard_error: float, df: float, *, alpha: float = 0.10, power: float = 0.80) -> float:
    """Effect that is shown with this power; ``inf`` without error degrees of freedom.

    Parameters and units as in `power_of_effect`.
    """
    if df < 1 or not math.isfinite(standard_error):
        return math.inf
    return standard_error * _needed_shift(df, alpha, power)


@lru_cache(maxsize=256)
def _needed_shift(df: float, alpha: float, power: float) -> float:
    # one degree of freedom needs a shift of about 8 at the usual level
    return float(brentq(lambda shift: _power(shift, df, alpha) - power, 0.0, 40.0, xtol=1e-8))
