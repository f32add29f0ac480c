"""The plan: coupons with their settings, batches and order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import pandas as pd

from doe.domain.finding import Finding
from doe.domain.study import Study

PlanKind = Literal["auto", "half", "quarter", "full", "composite", "box-behnken", "optimal", "d-optimal", "spread"]
Order = Literal["batched", "repeated", "random"]

KINDS: tuple[str, ...] = get_args(PlanKind)
ORDERS: tuple[str, ...] = get_args(Order)

BOOKKEEPING = (
    "round",
    "cure_batch",
    "press_batch",
    "cure_order",
    "press_order",
    "garment",
    "stroke",
    "role",
)
"""Columns of a plan beside ``coupon`` and the factors, in order."""

REPEAT_CENTRE = "repeat centre"
"""Role of the centre coupons at the start and the end of a round, there to see drift."""


@dataclass(frozen=True)
class Plan:
    """Coupons of one study with their settings and the order in which they are made, in one or more rounds.

    Attributes
    ----------
    study : Study
    kind : str
        How the first round was chosen, one of `KINDS` but ``auto``.
    seed : int
        Reproduces the first round.
    coupons : DataFrame
        One row a coupon: ``coupon`` (text, such as ``R1-01``, numbered in cure order), every factor in its stored
        unit, then `BOOKKEEPING`: ``round`` from 1; ``cure_batch``, ``press_batch``, ``garment`` and ``stroke``
        (numbers that are never used again in a later round); ``cure_order`` and ``press_order`` (from 1 in each
        round); ``role`` (corner, face, edge, chosen, centre, or repeat centre). Coupons with the same ``stroke``
        share one press stroke: they are sub-samples of it, not replicates.
    notes : tuple of Finding or str
        What a person should know about the plan, by `doe.plans.notes.NoteCode`; texts are those of older rounds.
    """

    study: Study
    kind: str
    seed: int
    coupons: pd.DataFrame
    notes: tuple[Finding | str, ...] = ()

    @property
    def settings(self) -> pd.DataFrame:
        """The factor columns alone, one row a coupon."""
        return self.coupons[list(self.study.factor_names)]

    @property
    def rounds(self) -> int:
        """Number of rounds."""
        return int(self.coupons["round"].max())


def columns(study: Study) -> list[str]:
    """Columns of a plan of this study, in order."""
    return ["coupon", *study.factor_names, *BOOKKEEPING]
