"""What the coupons were never asked: settings nobody varied, levels nobody tried, hand-feel nobody scored."""

from __future__ import annotations

from dataclasses import dataclass

from doe.domain.factors import Factor
from doe.domain.study import Study
from doe.setpoint.answer import Verdict
from doe.surfaces.contract import FittedSurfaces
from doe.surfaces.unvaried import hardly_varied, untried_levels


@dataclass(frozen=True)
class Gaps:
    """What no coupon speaks of, so that only assumptions do.

    Attributes
    ----------
    unvaried : tuple of Factor
        Numeric factors that were hardly varied: neither a setpoint nor the lack of one is shown, and no window.
    hand : bool
        Hand-feel is wanted and was never scored: half of the spec was not looked at, so nothing is ready or assured.
    untried : tuple of (Factor, str)
        Levels with which no coupon was made: that no setting is good is not shown.
    can_feel : bool
        A coupon of this study transferred, so there is one to feel.
    """

    unvaried: tuple[Factor, ...] = ()
    hand: bool = False
    untried: tuple[tuple[Factor, str], ...] = ()
    can_feel: bool = True

    def hold_back(self, verdict: Verdict) -> Verdict:
        """The most that may be said where the numbers alone would say ``verdict``."""
        if self.unvaried or (self.hand and verdict == "ready") or (self.untried and verdict == "not reachable"):
            return "more coupons"
        return verdict

    def is_scoring_enough(self, verdict: Verdict) -> bool:
        """Whether feeling the coupons that are there would do, no new one made; ``verdict`` is that of the numbers."""
        return self.hand and self.can_feel and not self.unvaried and verdict == "ready"


def find_gaps(study: Study, surfaces: FittedSurfaces) -> Gaps:
    """What the coupons behind these surfaces were never asked about this study."""
    return Gaps(
        hardly_varied(surfaces.scaling, surfaces.results, surfaces.earlier),
        study.spec.hand_min is not None and not surfaces.has_hand,
        untried_levels(study, surfaces.results, surfaces.earlier),
        bool(surfaces.results.passed.any()),
    )
