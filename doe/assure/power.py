"""How large an effect a two-level plan would see, before a coupon is made."""

from __future__ import annotations

from scipy.optimize import brentq
from scipy.stats import ncf, t

from doe.domain.errors import InputError


def effect_power(effect: float, *, sd: float, coupons: int, error_df: int, false_alarm: float = 0.05) -> float:
    """Probability that a two-level effect is found by its two-sided t test.

    Parameters
    ----------
    effect : float
        True mean at high minus mean at low, in the response's unit.
    sd : float
        Standard deviation of a coupon, above 0, same unit.
    coupons : int
        Coupons at the two levels, half at each; even, at least 2. Centre coupons do not count.
    error_df : int
        Degrees of freedom of the error estimate, at least 1.
    false_alarm : float
        Risk of calling an effect of zero real.

    Returns
    -------
    float
        Between `false_alarm` and 1.

    Raises
    ------
    InputError
        If a number is outside its range.

    Notes
    -----
    For a factor set once a batch, count batches as coupons and use batch standard deviation and degrees
    of freedom: coupons of one batch are not independent.

    References
    ----------
    J. Cohen (1988), *Statistical Power Analysis for the Behavioral Sciences*, 2nd ed., ch. 2 (there by
    the noncentral t distribution).

    Examples
    --------
    >>> round(effect_power(2.0, sd=1.0, coupons=16, error_df=8), 5)
    0.93674
    """
    if sd <= 0:
        raise InputError("sd", sd, "above 0", "Give the scatter of a coupon, from replicates or experience.")
    if coupons < 2 or coupons % 2:
        raise InputError("coupons", coupons, "an even number, 2 or more", "Put half at each level.")
    if error_df < 1:
        raise InputError("error degrees of freedom", error_df, "1 or more", "Repeat some settings.")
    _check_share("false alarm", false_alarm)
    # The squared t is a noncentral F; that routine holds where the noncentral t's breaks down.
    noncentrality = coupons * (effect / sd) ** 2 / 4
    if noncentrality < 1e-12:
        return false_alarm
    return min(float(ncf.sf(t.ppf(1 - false_alarm / 2, error_df) ** 2, 1, error_df, noncentrality)), 1.0)


def detectable_effect(power: float, *, sd: float, coupons: int, error_df: int, false_alarm: float = 0.05) -> float:
    """Smallest two-level effect that is found with probability `power`.

    Parameters
    ----------
    power : float
        Above `false_alarm`, below 1.
    sd, coupons, error_df, false_alarm
        As in `effect_power`.

    Returns
    -------
    float
        In the response's unit.

    Examples
    --------
    >>> effect = detectable_effect(0.8, sd=1.0, coupons=16, error_df=8)
    >>> round(effect_power(effect, sd=1.0, coupons=16, error_df=8), 6)
    0.8
    """
    _check_share("false alarm", false_alarm)
    if not false_alarm < power < 1:
        raise InputError("power", power, f"between {false_alarm:g} and 1", "Write 80 % as 0.80.")

    def short(effect_in_sd: float) -> float:
        found = effect_power(effect_in_sd, sd=1.0, coupons=coupons, error_df=error_df, false_alarm=false_alarm)
        return found - power

    if sd <= 0:
        raise InputError("sd", sd, "above 0", "Give the scatter of a coupon, from replicates or experience.")
    high = 1.0
    while short(high) < 0:
        high *= 2
    return sd * float(brentq(short, 0.0, high, xtol=1e-12, rtol=1e-12))


def coupons_per_level(effect: float, *, sd: float, power: float = 0.80, false_alarm: float = 0.05) -> int:
    """Smallest number of coupons at each of two levels that finds an effect with probability `power`.

    The error is the scatter within the two levels, on 2 n - 2 degrees of freedom (a plain comparison of
    two settings).

    Parameters
    ----------
    effect : float
        Not zero, in the response's unit.
    sd, power, false_alarm
        As in `effect_power`.

    Examples
    --------
    >>> coupons_per_level(0.8, sd=1.0)
    26
    """
    if effect == 0:
        raise InputError("effect", effect, "not 0", "Say which difference would matter.")
    _check_share("power", power)

    def enough(n: int) -> bool:
        found = effect_power(effect, sd=sd, coupons=2 * n, error_df=2 * n - 2, false_alarm=false_alarm)
        return found >= power

    low, high = 1, 2
    while not enough(high):
        low, high = high, 2 * high
        if high > 10_000_000:
            raise InputError("effect", effect, f"larger than {effect:g}", "So small an effect needs too much.")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _check_share(where: str, value: float) -> None:
    if not 0 < value < 1:
        raise InputError(where, value, "between 0 and 1", "Write 5 % as 0.05.")
