"""What a wash still to come may do: how many failures only it shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doe.domain.outcome import HELD, LATE, WAITING
from doe.domain.results import Results
from doe.surfaces.outcomes import FloatArray

LATE_PRIOR = (1.0, 2.0)
"""Of failures, those shown only by a wash against the rest, as so many coupons of each (our guess, no source)."""


WASH_DISCOUNT, MOST_EARLIER_WASHES = 0.3, 6.0
"""What one failure of the shop's earlier studies counts for, and how many coupons all of them count for at most, so
that a new kind of material is soon heard (our guess, no source)."""


@dataclass(frozen=True)
class Washes:
    """What washes showed of the coupons of one study, or of several.

    Attributes
    ----------
    held, failed : int
        Coupons that passed at the press and were washed: how many survived it, and how many did not.
    at_press : float
        Coupons that failed at the press, counted as far as their like was washed.
    """

    held: int = 0
    failed: int = 0
    at_press: float = 0.0

    @property
    def washed(self) -> int:
        """Coupons that passed at the press and were washed."""
        return self.held + self.failed

    @property
    def part(self) -> float:
        """What one of their failures counts for in another study of the shop."""
        return min(WASH_DISCOUNT, MOST_EARLIER_WASHES / max(self.failed + self.at_press, MOST_EARLIER_WASHES))

    def __add__(self, other: Washes) -> Washes:
        """Both together."""
        return Washes(self.held + other.held, self.failed + other.failed, self.at_press + other.at_press)


NO_WASHES = Washes()


def washes_of(results: Results) -> Washes:
    """What washes showed of some coupons.

    Failures at the press count only as far as their like was washed: while most passes wait, it is not known how many
    failures are still hidden among them.
    """
    failed, held, waiting = (int((results.wash == state).sum()) for state in (LATE, HELD, WAITING))
    share = (failed + held) / max(failed + held + waiting, 1)
    return Washes(held, failed, float(share * (~results.passed & (results.wash == "")).sum()))


def late_share(results: Results, earlier: Washes = NO_WASHES) -> float:
    """Share of all failures that pass every check until they are washed: the mean of a beta posterior.

    ``earlier`` is what washes showed in other studies of the shop; it counts as `Washes.part` says.
    """
    mine = washes_of(results)
    late = LATE_PRIOR[0] + earlier.part * earlier.failed + mine.failed
    early = LATE_PRIOR[1] + earlier.part * earlier.at_press + mine.at_press
    return late / (late + early)


def so_far(results: Results, sound: FloatArray, earlier: Washes = NO_WASHES) -> FloatArray:
    """Chance that each coupon passes what it was looked at for, from that of a sound print, (draws, coupons)."""
    late = np.where(results.wash == WAITING, late_share(results, earlier), 0.0)
    return np.asarray(sound + late * (1 - sound))


def survives(results: Results, sound: float, earlier: Washes = NO_WASHES) -> float:
    """Share that survives the wash of the prints that pass before it, from the share ``sound`` of all prints."""
    return sound / (sound + late_share(results, earlier) * (1 - sound))
