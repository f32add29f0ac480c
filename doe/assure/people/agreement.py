"""Agreement between scorers, put together."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd
from scipy.stats import binomtest

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
