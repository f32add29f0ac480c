"""Agreement between scorers, put together."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd
from scipy.stats import binomtest, t

from doe.assure.people.concordance import Concordance, ScoreAgreement, kendall_w, lean_of_people, score_agreement
from doe.assure.people.kappa import Kappa, ManyKappa, cohen_kappa, fleiss_kappa
from doe.domain.spec import HAND_HIGH, HAND_LOW, HAND_STEP

ASSURANCE = 0.90
"""Of all limits of an agreement, two-sided."""

GOOD_KAPPA, POOR_KAPPA = 0.75, 0.40
"""Bands usual for attribute agreement (from memory)."""

GOOD_ICC = 0.75
"""From here on one score stands for its coupon (common practice, no source)."""


Band = Literal["good", "fair", "poor", "cannot be told"]
"""How good an agreement is."""


@dataclass(frozen=True)
class PairAgreement:
    """Two people, or one person twice, on pass/fail.

    ``only_first`` and ``only_second`` count the coupons that only one of them passed; ``p_leaning`` is McNemar's exact
    two-sided test that one passes more than the other.
    """

    first: str
    second: str
    kappa: Kappa
    only_first: int
    only_second: int
    p_leaning: float


@dataclass(frozen=True)
class PassAgreement:
    """Agreement on pass/fail: every pair, and all together (None for two people); limits at the ``assurance``."""

    coupons: int
    left_out: int
    pairs: tuple[PairAgreement, ...]
    together: ManyKappa | None
    assurance: float


@dataclass(frozen=True)
class HandAgreement:
    """Agreement on hand-feel: weighted kappa of every pair, Kendall's W, intraclass correlations, who leans."""

    coupons: int
    left_out: int
    pairs: tuple[tuple[str, str, Kappa], ...]
    ranks: Concordance
    scores: ScoreAgreement
    lean: pd.DataFrame


def judge_pass_agreement(judged: pd.DataFrame) -> PassAgreement:
    """Agreement of people on pass/fail of the same coupons.

    Parameters
    ----------
    judged : DataFrame, shape (coupons, people)
        True, False or missing; one column a person, of two or more.

    Returns
    -------
    PassAgreement
        A pair is compared on the coupons both judged, all together on those that everyone judged.
    """
    people = [str(c) for c in judged.columns]
    pairs = []
    for a, b in combinations(people, 2):
        both = judged[[a, b]].dropna()
        first, second = both[a].astype(bool).tolist(), both[b].astype(bool).tolist()
        kappa = cohen_kappa(first, second, classes=2, assurance=ASSURANCE)
        only_a = sum(x and not y for x, y in zip(first, second, strict=True))
        only_b = sum(y and not x for x, y in zip(first, second, strict=True))
        p = float(binomtest(only_a, only_a + only_b).pvalue) if only_a + only_b else 1.0
        pairs.append(PairAgreement(a, b, kappa, only_a, only_b, p))
    whole = judged.dropna()
    together = None
    if len(people) > 2 and len(whole) >= 2:
        counts = np.column_stack([(~whole.astype(bool)).sum(axis=1), whole.astype(bool).sum(axis=1)])
        together = fleiss_kappa(counts, assurance=ASSURANCE)
    return PassAgreement(len(whole), len(judged) - len(whole), tuple(pairs), together, ASSURANCE)


def judge_hand_agreement(scored: pd.DataFrame) -> HandAgreement:
    """Agreement of people on hand-feel of the same coupons.

    Parameters
    ----------
    scored : DataFrame, shape (coupons, people)
        1 to 5 in half steps, or missing, of two people or more; coupons that not all of them scored are left out, and
        at least three must be left.
    """
    people = [str(c) for c in scored.columns]
    whole = scored.dropna()
    values = whole.to_numpy(dtype=float)
    steps = np.round((values - HAND_LOW) / HAND_STEP).astype(int)
    classes = round((HAND_HIGH - HAND_LOW) / HAND_STEP) + 1
    ranks = kendall_w(values, assurance=ASSURANCE)
    pairs = tuple(
        (
            people[i],
            people[j],
            cohen_kappa(
                steps[:, i].tolist(), steps[:, j].tolist(), classes=classes, weighted=True, assurance=ASSURANCE
            ),
        )
        for i, j in combinations(range(len(people)), 2)
    )
    found = score_agreement(values, assurance=ASSURANCE)
    lean = lean_of_people(whole, assurance=ASSURANCE)
    return HandAgreement(len(whole), len(scored) - len(whole), pairs, ranks, found, lean)


def band_of(kappa: Kappa) -> Band:
    """``good``, ``fair``, ``poor`` or ``cannot be told`` for an agreement, by the bands usual for attributes."""
    if math.isnan(kappa.kappa):
        return "cannot be told"
    if kappa.kappa > GOOD_KAPPA:
        return "good"
    return "poor" if kappa.kappa < POOR_KAPPA else "fair"


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
    half = t.ppf((1 + ASSURANCE) / 2, len(d) - 1) * spread / math.sqrt(len(d)) if len(d) > 1 else math.nan
    return Repeat(person, len(both), kappa, turned, len(d), shift, shift - half, shift + half, spread / math.sqrt(2))
