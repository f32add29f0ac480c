"""Assurance: what counts of passes show, and how many coupons a claim needs."""

from doe.assure.binomial import (
    RateInterval,
    chance_to_accept,
    coupons_for_failures,
    coupons_for_no_failure,
    pass_rate_high,
    pass_rate_interval,
    pass_rate_low,
    wilson_interval,
)
from doe.assure.power import coupons_per_level, detectable_effect, effect_power

__all__ = [
    "RateInterval",
    "chance_to_accept",
    "coupons_for_failures",
    "coupons_for_no_failure",
    "coupons_per_level",
    "detectable_effect",
    "effect_power",
    "pass_rate_high",
    "pass_rate_interval",
    "pass_rate_low",
    "wilson_interval",
]
