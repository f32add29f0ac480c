"""Coupons of an earlier study, entering a fit with a discount.

A recipe that was tuned once tells something about the same recipe on a new fabric or powder lot, but less than as many
coupons of the new stack. Their likelihood is raised to a power between 0 and 1, the discount (the power prior of
Ibrahim and Chen 2000, Statistical Science 15, 46-60): at 1 they count like the study's own coupons, towards 0 they
vanish. Batch effects stay as they are, only what was observed is discounted, so both ends hold exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.errors import InputError
from doe.domain.results import Results, read_results
from doe.domain.study import Study

MARK = "earlier "
"""Put before the batch labels of earlier coupons, so that no batch of theirs is taken for one of this study's."""


@dataclass(frozen=True)
class Earlier:
    """Scored coupons of an earlier study on a like stack.

    Attributes
    ----------
    results : DataFrame or Results
        As `doe.fit` takes them, with every factor of the *new* study; people of the same name count as the same person.
    discount : float
        What one of these coupons counts for, above 0 and up to 1.
    """

    results: pd.DataFrame | Results
    discount: float


@dataclass(frozen=True)
class EarlierUse:
    """What a fit took from an earlier study: scored coupons, how many of them passed, what each counts for."""

    results: Results
    discount: float

    @property
    def coupons(self) -> int:
        """Number of earlier coupons."""
        return self.results.coupons

    @property
    def worth(self) -> float:
        """How many coupons of this study they count for."""
        return self.discount * self.coupons


def read_earlier(study: Study, earlier: Earlier) -> EarlierUse:
    """Check an earlier study's coupons against the new study.

    Raises
    ------
    InputError
        If the discount is outside 0 to 1, no coupon is scored, or the results do not fit the study.
    """
    if not 0 < earlier.discount <= 1:
        raise InputError("discount", earlier.discount, "above 0 and up to 1", "Leave the earlier coupons out for 0.")
    found = earlier.results if isinstance(earlier.results, Results) else read_results(study, earlier.results)
    if found.coupons == 0:
        raise InputError(
            "earlier results", "no scored coupon", "at least one coupon with a pass/fail result", "Leave them out."
        )
    return EarlierUse(found, float(earlier.discount))


def pooled(own: Results, use: EarlierUse) -> tuple[Results, NDArray[np.float64]]:
    """Own coupons first, then the earlier ones, and what each counts for, shape (coupons,).

    The earlier coupons' batches are their own; people are matched by name.
    """
    earlier = use.results
    people = tuple(dict.fromkeys((*own.people, *earlier.people)))
    hand = np.full((own.coupons + earlier.coupons, len(people)), np.nan)
    for start, part in ((0, own), (own.coupons, earlier)):
        at = [people.index(name) for name in part.people]
        hand[start : start + part.coupons, at] = part.hand
    marked = earlier.batches.map(lambda label: MARK + label if label else "")
    together = Results(
        coupon=np.concatenate([own.coupon, np.char.add(MARK, earlier.coupon.astype(str))]),
        settings=pd.concat([own.settings, earlier.settings[list(own.settings.columns)]], ignore_index=True),
        measured=pd.concat([own.measured, earlier.measured[list(own.measured.columns)]], ignore_index=True),
        passed=np.concatenate([own.passed, earlier.passed]),
        side=np.concatenate([own.side, earlier.side]),
        grade=np.concatenate([own.grade, earlier.grade]),
        points=np.concatenate([own.points, earlier.points]),
        wash=np.concatenate([own.wash, earlier.wash]),
        unfinished=np.concatenate([own.unfinished, earlier.unfinished]),
        open_at_press=np.concatenate([own.open_at_press, earlier.open_at_press]),
        hand=hand,
        people=people,
        batches=pd.concat([own.batches, marked], ignore_index=True),
    )
    return together, np.repeat([1.0, use.discount], [own.coupons, earlier.coupons])
