"""Smallest effect a plan would likely show."""

from __future__ import annotations

import math
from functools import lru_cache

from scipy.optimize import brentq
from scipy.stats import nct, t


def smallest_effect(standard_error: float, df: float, *, alpha: float = 0.10, power: float = 0.80) -> float:
    """Effect that a two-sided t test at level alpha shows with this power; ``inf`` without error degrees of freedom.

    Parameters
    ----------
    standard_error : float
        Of the effect, in the effect's unit, for instance residual standard deviations.
    df : float
        Error degrees of freedom.
    alpha, power : float

    Examples
    --------
    A two-level plan of 16 coupons and 8 error degrees of freedom, in standard deviations of a coupon:

    >>> round(smallest_effect(2 / 16**0.5, 8, alpha=0.05, power=0.93674), 3)
    2.0
    """
    if df < 1 or not math.isfinite(standard_error):
        return math.inf
    return standard_error * _needed_shift(df, alpha, power)


def _power(shift: float, df: float, alpha: float) -> float:
    limit = float(t.ppf(1 - alpha / 2, df))
    # beyond a shift of 5 the far tail is below 1e-8, and SciPy's value of it may be NaN
    far_tail = float(nct.cdf(-limit, df, shift)) if shift < 5 else 0.0
    return float(nct.sf(limit, df, shift)) + far_tail


@lru_cache(maxsize=256)
def _needed_shift(df: float, alpha: float, power: float) -> float:
    # one degree of freedom needs a shift of about 8 at the usual level
    return float(brentq(lambda shift: _power(shift, df, alpha) - power, 0.0, 40.0, xtol=1e-8))
