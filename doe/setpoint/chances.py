"""What draws stand for: chances and a limit as they turned out on simulated lines.

The draws of a closing window are too doubtful: of regions in which 4 of 10 draws find a setting that holds the target,
more than 8 in 10 hold one. So a share is moved on the logit scale by a shift and a slope before it is said or judged
by. Both were fitted on tuning lines (`tests/benchmarks/chances.py`, which also leaves out one family after the other),
with hand-feel in the spec and without, with plain coupons and with graded ones, which leave the draws surer; they are
the same for every number of coupons. A search step by step, which looks again and again, goes by those of plain ones.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from scipy.special import expit, logit

from doe.domain.coding import FloatArray
from doe.domain.spec import HAND_LOW
from doe.domain.study import Study

Claim = Literal["setpoint reaches", "any reaches"]
"""What the chance is of: that the setpoint reaches the target, or that any tested setting does."""

CHECKS_ALONE: dict[Claim, tuple[float, float]] = {"setpoint reaches": (0.71, 0.94), "any reaches": (2.17, 1.23)}
HAND_TOO: dict[Claim, tuple[float, float]] = {"setpoint reaches": (0.71, 0.83), "any reaches": (2.46, 0.89)}
CHECKS_GRADED: dict[Claim, tuple[float, float]] = {"setpoint reaches": (0.40, 0.94), "any reaches": (1.83, 0.79)}
HAND_GRADED: dict[Claim, tuple[float, float]] = {"setpoint reaches": (0.49, 0.73), "any reaches": (2.67, 0.89)}
"""Shift and slope, by whether the spec asks for a hand-feel, and whether the coupons of a single round are graded."""

HAND_LOWER = 1.4
"""The lower limit of the mean hand-feel lies this many times as far below it as that of the draws: theirs holds in 0.80
to 0.87 of tuning lines where 0.90 is stated (`tests/benchmarks/chances.py`). Their upper limit stays."""

LEAST = 0.002
"""Shares of draws are taken no nearer to 0 and 1 than this: so few draws cannot tell."""


def said_chance(study: Study, share: FloatArray | float, claim: Claim) -> FloatArray:
    """The chance that a share of draws stands for, elementwise."""
    shift, slope = _how(study)[claim]
    return np.asarray(expit(shift + slope * logit(np.clip(share, LEAST, 1 - LEAST))))


def share_of_draws(study: Study, chance: float, claim: Claim) -> float:
    """The share of draws that stands for a chance."""
    shift, slope = _how(study)[claim]
    return float(expit((logit(chance) - shift) / slope))


def lower_hand(mean: float, low: float) -> float:
    """Lower limit of the mean hand-feel, from that of the draws; never below the scale."""
    return max(HAND_LOW, mean - HAND_LOWER * (mean - low))


def _how(study: Study) -> dict[Claim, tuple[float, float]]:
    graded = study.asks_grades and study.most_coupons is None
    if study.spec.hand_min is None:
        return CHECKS_GRADED if graded else CHECKS_ALONE
    return HAND_GRADED if graded else HAND_TOO
