"""Whether the people behind the hand-feel scores can be relied upon to mean the same by a number."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from doe.domain.finding import Finding
from doe.domain.results import Results
from doe.surfaces.facts import fact

APART = 1.0
"""Hand-feel points beyond which two people must settle what their numbers mean before anything rests on them."""

LEAST_COMMON = 3
"""Coupons that two people must have felt in common before they are compared."""


def doubt_scorers(results: Results) -> Finding | None:
    """Whether hand-feel rests on one person, on people who cannot be compared, or on people who differ much.

    Each of these may put hand-feel off as a whole; none needs a new coupon to be settled.

    Parameters
    ----------
    results : Results
        All coupons that enter a fit, those of an earlier study too.
    """
    felt = np.isfinite(results.hand)
    who = [j for j in range(len(results.people)) if felt[:, j].any()]
    if not who:
        return None
    if len(who) == 1:
        return fact("one_scorer", names=(results.people[who[0]],))
    gaps = []
    for a, b in combinations(who, 2):
        both = felt[:, a] & felt[:, b]
        if both.sum() >= LEAST_COMMON:
            gap = float((results.hand[both, a] - results.hand[both, b]).mean())
            low, high = (a, b) if gap < 0 else (b, a)
            gaps.append((abs(gap), int(both.sum()), (results.people[low], results.people[high])))
    if not gaps:
        # with so few coupons felt there is nothing yet that could be compared
        is_early = felt.any(axis=1).sum() < LEAST_COMMON
        return None if is_early else fact("never_compared", coupons=LEAST_COMMON, of=len(who))
    gap, common, names = max(gaps, key=lambda found: found[0])
    return None if gap <= APART else fact("scorers_apart", names=names, coupons=common, value=gap)
