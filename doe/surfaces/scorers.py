"""Whether the people behind the hand-feel scores can be relied upon to mean the same by a number."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from doe.domain.results import Results

APART = 1.0
"""Hand-feel points beyond which two people must settle what their numbers mean before anything rests on them."""

LEAST_COMMON = 3
"""Coupons that two people must have felt in common before they are compared."""


@dataclass(frozen=True)
class ScorerDoubt:
    """Why hand-feel scores may be off as a whole.

    ``sentence`` says what is the matter, ``remedy`` what settles it; neither needs a new coupon.
    """

    sentence: str
    remedy: str


def doubt_scorers(results: Results) -> ScorerDoubt | None:
    """Whether hand-feel rests on one person, on people who cannot be compared, or on people who differ much.

    Parameters
    ----------
    results : Results
        All coupons that enter a fit, those of an earlier study too.
    """
    felt = np.isfinite(results.hand)
    who = [j for j in range(len(results.people)) if felt[:, j].any()]
    if not who:
        return None
    names = [name or "one person" for name in results.people]
    if len(who) == 1:
        name = names[who[0]]
        return ScorerDoubt(
            f"Hand-feel rests on {name} alone: whether that is a harsh or a mild judge is not known.",
            f"let a second person feel the coupons that transferred, without seeing what {name} said, and fit again",
        )
    gaps = []
    for a, b in combinations(who, 2):
        both = felt[:, a] & felt[:, b]
        if both.sum() >= LEAST_COMMON:
            gap = float((results.hand[both, a] - results.hand[both, b]).mean())
            low, high = (a, b) if gap < 0 else (b, a)
            gaps.append((abs(gap), int(both.sum()), names[low], names[high]))
    if not gaps and felt.any(axis=1).sum() < LEAST_COMMON:
        return None  # there is nothing yet that could be compared
    if not gaps:
        return ScorerDoubt(
            f"No two of the {len(who)} people who scored hand-feel felt {LEAST_COMMON} coupons in common: whether one "
            "is a harsher judge than another is not known.",
            "let two people feel the same coupons, each without seeing the other's scores, and fit again",
        )
    gap, common, low_name, high_name = max(gaps, key=lambda found: found[0])
    if gap <= APART:
        return None
    return ScorerDoubt(
        f"{low_name} scores hand-feel {gap:.1f} points below {high_name} on the {common} coupons that both felt: "
        "settle that first (`doe people`), since their mean is what counts here.",
        f"settle what {low_name} and {high_name} mean by their scores (`doe people`), let both feel the coupons that "
        "transferred again, and fit again",
    )
