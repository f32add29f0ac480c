"""What a wash still to come may do: how many failures only it shows."""

from __future__ import annotations

import numpy as np

from doe.domain.outcome import HELD, LATE, WAITING
from doe.domain.results import Results
from doe.surfaces.outcomes import FloatArray

LATE_PRIOR = (1.0, 2.0)
"""Of failures, those shown only by a wash against the rest, as so many coupons of each (our guess, no source)."""


def late_share(results: Results) -> float:
    """Share of all failures that pass every check until they are washed: the mean of a beta posterior.

    Failures at the press count only as far as their like was washed: while most passes wait, it is not known how many
    failures are still hidden among them.
    """
    failed, held, waiting = ((results.wash == state).sum() for state in (LATE, HELD, WAITING))
    washed = (failed + held) / max(failed + held + waiting, 1)
    at_press = (~results.passed & (results.wash == "")).sum()
    late, early = LATE_PRIOR[0] + failed, LATE_PRIOR[1] + washed * at_press
    return float(late / (late + early))


def so_far(results: Results, sound: FloatArray) -> FloatArray:
    """Chance that each coupon passes what it was looked at for, from that of a sound print, (draws, coupons)."""
    late = np.where(results.wash == WAITING, late_share(results), 0.0)
    return np.asarray(sound + late * (1 - sound))


def survives(results: Results, sound: float) -> float:
    """Share that survives the wash of the prints that pass before it, from the share ``sound`` of all prints."""
    return sound / (sound + late_share(results) * (1 - sound))
