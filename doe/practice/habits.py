"""Habits of a shop: what people and machines add to what the settings do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np


@dataclass(frozen=True)
class Habits:
    """How people and machines add to what the settings do.

    Attributes
    ----------
    batch_share : float
        Share of the setting-error variance of a hard-to-change factor that a whole batch has in common.
    garment_share : float
        Share of the coupon scatter's variance that coupons on one garment have in common.
    lapse : float
        Share of prints lost to something that is not a setting: lint, a jerk at the peel. They fail as ``other``,
        in the trial and in production alike.
    unknown, wrong_side : float
        Share of failed coupons whose side is not known, or taken for the other side.
    hand_coupon_sd, hand_scorer_sd, hand_bias_sd : float
        Spread of hand-feel from coupon to coupon, from scoring to scoring, and between people (scale points).
    just, slight : float
        How far from the line between pass and fail a pass is called clean and a failure bad, in standard deviations of
        the coupon scatter.
    grade_slip : float
        Share of coupons whose grade is the other one of their side.
    """

    batch_share: float = 0.5
    garment_share: float = 0.15
    lapse: float = 0.005
    unknown: float = 0.10
    wrong_side: float = 0.05
    hand_coupon_sd: float = 0.15
    hand_scorer_sd: float = 0.35
    hand_bias_sd: float = 0.25
    just: float = 1.5
    slight: float = 1.5
    grade_slip: float = 0.05

    @classmethod
    def draw(cls, rng: np.random.Generator) -> Habits:
        """Habits of one shop; the ranges are invented."""
        return cls(
            batch_share=rng.uniform(0.3, 0.7),
            garment_share=rng.uniform(0.0, 0.3),
            lapse=rng.uniform(0.0, 0.01),
            unknown=rng.uniform(0.05, 0.2),
            wrong_side=rng.uniform(0.02, 0.08),
            hand_coupon_sd=rng.uniform(0.1, 0.2),
            hand_scorer_sd=rng.uniform(0.25, 0.45),
        )
