"""How far a study has come at the machines, and what its repeated centre coupons say, while it is being made."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from doe.acts.scoring.making import Coupon, Making
from doe.domain.factors import Stage
from doe.domain.plan_kinds import learning_rounds
from doe.plans.timing import minutes_at_machine
from doe.surfaces.classical.batch_errors import judge_drift

LEAST_FOR_HINT = 8
"""Scored coupons from which on an early look is given."""
REPEATS = ("repeat centre", "centre")
"""Roles of the coupons made at the centre."""


@dataclass(frozen=True)
class Left:
    """What waits at one machine: coupons, and the minutes they take with settling and handling."""

    coupons: int
    minutes: float


def left_at(making: Making, stage: Stage) -> Left:
    """What still waits at a machine.

    The minutes count settling between the coupons that are left, not warming up, and one person working.
    """
    waiting = making.queue(stage)
    if not waiting:
        return Left(0, 0.0)
    record = making.record
    return Left(len(waiting), minutes_at_machine(record.study, _frame(waiting), record.line, stage))


def _frame(coupons: tuple[Coupon, ...]) -> pd.DataFrame:
    return pd.DataFrame([{"coupon": c.name, "round": c.round, **c.settings, **c.place} for c in coupons])


@dataclass(frozen=True)
class Repeats:
    """Coupons made at the same centre settings, in the order in which they were pressed.

    ``change`` is the change of the mean hand-feel from the first to the last with its 95 % interval, where three or
    more were felt.
    """

    scored: tuple[Coupon, ...]
    planned: int
    change: float | None = None
    low: float | None = None
    high: float | None = None

    @property
    def failed(self) -> int:
        """How many of them failed."""
        return sum(c.has_failed for c in self.scored)

    @property
    def has_moved(self) -> bool:
        """Whether hand-feel changed by more than its scatter."""
        return self.low is not None and self.high is not None and (self.low > 0 or self.high < 0)


def repeats_of(making: Making) -> Repeats:
    """What the centre coupons of the rounds that look for settings say about drift so far."""
    rounds = learning_rounds(making.info.rounds)
    mine = [c for c in making.coupons if c.place.get("role") in REPEATS and c.round in rounds and not c.void]
    mine = _same_settings(mine)
    scored = tuple(
        sorted((c for c in mine if c.is_scored), key=lambda c: (c.round, int(c.place.get("press_order", 0))))
    )
    felt = [(place, c) for place, c in enumerate(scored) if c.hands]
    if len(felt) < 3:
        return Repeats(scored, len(mine))
    means = [sum(c.hands.values()) / len(c.hands) for _, c in felt]
    drift = judge_drift([[1.0]] * len(felt), means, [float(place) for place, _ in felt])
    return Repeats(scored, len(mine), drift.estimate, drift.low, drift.high)


def _same_settings(coupons: list[Coupon]) -> list[Coupon]:
    """The largest group made at one and the same setting: a later round may have another centre."""
    groups: dict[tuple[object, ...], list[Coupon]] = {}
    for coupon in coupons:
        groups.setdefault(tuple(coupon.settings.values()), []).append(coupon)
    return max(groups.values(), key=len, default=[])


def scored_of(making: Making) -> int:
    """Coupons with a result that do not count as void, of the rounds that look for settings."""
    rounds = learning_rounds(making.info.rounds)
    return sum(c.is_scored and not c.void and c.round in rounds for c in making.coupons)
