"""One person with herself: the same coupons judged twice, blind."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import t

from doe.assure.people.agreement import ASSURANCE
from doe.assure.people.kappa import Kappa, cohen_kappa

AGAIN = " again"
"""End of the column that holds a person's own second look."""


@dataclass(frozen=True)
class Repeat:
    """A person's first and second look.

    Attributes
    ----------
    person : str
    coupons : int
        Judged pass/fail twice.
    kappa : Kappa or None
        Of the two; None with fewer than two coupons.
    turned : int
        Coupons judged otherwise the second time.
    hand_coupons : int
        Felt twice.
    hand_shift, hand_low, hand_high : float
        Mean of second minus first score with two-sided limits; NaN with fewer than two.
    hand_sd : float
        Standard deviation of one score around what the same person would say on average.
    """

    person: str
    coupons: int
    kappa: Kappa | None
    turned: int
    hand_coupons: int
    hand_shift: float
    hand_low: float
    hand_high: float
    hand_sd: float


def judge_repeats(judged: pd.DataFrame, hand: pd.DataFrame, hand_again: pd.DataFrame) -> tuple[Repeat, ...]:
    """How far each person repeats her own scores.

    Parameters
    ----------
    judged : DataFrame
        Indexed by coupon; columns ``ana`` and ``ana again`` and others: True, False or missing.
    hand, hand_again : DataFrame
        Indexed by coupon, a column a person: first and second hand-feel.

    Returns
    -------
    tuple of Repeat
        Everybody who looked at a coupon twice, by name.
    """
    twice = {c.removesuffix(AGAIN) for c in map(str, judged.columns) if c.endswith(AGAIN)}
    people = sorted(twice | {str(c) for c in hand_again.columns if c in hand.columns})
    return tuple(r for p in people if (r := _repeat(p, judged, hand, hand_again)) is not None)


def _repeat(person: str, judged: pd.DataFrame, hand: pd.DataFrame, hand_again: pd.DataFrame) -> Repeat | None:
    names = [person, person + AGAIN]
    both = judged[names].dropna() if set(names) <= set(judged.columns) else pd.DataFrame(columns=names)
    first, second = (both[n].astype(bool).tolist() for n in names)
    turned = sum(a != b for a, b in zip(first, second, strict=True))
    kappa = cohen_kappa(first, second, classes=2, assurance=ASSURANCE) if len(both) > 1 else None
    d = np.array([])
    if person in hand.columns and person in hand_again.columns:
        d = (hand_again[person] - hand[person]).dropna().to_numpy(dtype=float)
    if not len(both) and not len(d):
        return None
    shift = float(d.mean()) if len(d) > 1 else math.nan
    spread = float(d.std(ddof=1)) if len(d) > 1 else math.nan
    half = float(t.ppf((1 + ASSURANCE) / 2, len(d) - 1)) * spread / math.sqrt(len(d)) if len(d) > 1 else math.nan
    return Repeat(person, len(both), kappa, turned, len(d), shift, shift - half, shift + half, spread / math.sqrt(2))
