"""How far a study has come at the machines, and what its repeated centre coupons say, while it is being made."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from doe.acts.scoring.making import Coupon, Making, in_order
from doe.domain.factors import Stage
from doe.domain.plan_kinds import learning_rounds
from doe.plans.timing import minutes_at_machine
from doe.surfaces.classical.drift import judge_drift

LEAST_FOR_HINT = 8
"""Scored coupons from which on an early look is given."""
REPEATS = ("repeat centre", "centre")
"""Roles of the coupons made at the centre."""


def minutes_left(making: Making, stage: Stage) -> float:
    """Minutes that the coupons in the queue of a machine take.

    They count handling and settling between the coupons that are left, not warming up, and one person working.
    """
    waiting = making.queue(stage)
    if not waiting:
        return 0.0
    frame = pd.DataFrame([{"coupon": c.name, "round": c.round, **c.settings, **c.place} for c in waiting])
    return minutes_at_machine(making.record.study, frame, making.record.line, stage)


@dataclass(frozen=True)
class Repeats:
    """Coupons made at the same centre settings, in the order in which they were pressed.

    ``change`` is the change of the mean hand-feel from the first to the last with its 95 % interval ``(change, low,
    high)``, where three or more were felt.
    """

    scored: tuple[Coupon, ...]
    planned: int
    change: tuple[float, float, float] | None = None


def repeats_of(making: Making) -> Repeats:
    """What the centre coupons of the rounds that look for settings say about drift so far."""
    rounds = learning_rounds(making.info.rounds)
    groups: dict[tuple[object, ...], list[Coupon]] = {}  # a later round may have another centre
    for coupon in making.coupons:
        if coupon.place.get("role") in REPEATS and coupon.round in rounds and not coupon.void:
            groups.setdefault(tuple(coupon.settings.values()), []).append(coupon)
    mine = max(groups.values(), key=len, default=[])
    scored = in_order(c for c in mine if c.is_scored)
    felt = [(float(place), c.mean_hand) for place, c in enumerate(scored) if c.mean_hand is not None]
    if len(felt) < 3:
        return Repeats(scored, len(mine))
    drift = judge_drift([[1.0]] * len(felt), [hand for _, hand in felt], [place for place, _ in felt])
    if drift.change is None or drift.low is None or drift.high is None:
        return Repeats(scored, len(mine))
    return Repeats(scored, len(mine), (drift.change, drift.low, drift.high))


def scored_of(making: Making) -> int:
    """Coupons with a result that do not count as void, of the rounds that look for settings."""
    rounds = learning_rounds(making.info.rounds)
    return sum(c.is_scored and not c.void and c.round in rounds for c in making.coupons)
