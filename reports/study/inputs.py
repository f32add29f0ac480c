"""What a study report is made from."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.assure.gauges.line import GaugedLine
from doe.domain.coding import code
from doe.domain.finding import Finding
from doe.domain.stack import Line, Stack
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.setpoint.answer import Answer
from doe.surfaces.checks import ClassicalChecks
from doe.surfaces.fitted import Surfaces
from doe.words.confirmation.verdict import ConfirmationFacts
from reports.study.photos import CouponPhoto


@dataclass(frozen=True)
class HistoryRow:
    """One thing that was done: when, by whom, what, and why (may be empty)."""

    when: datetime
    who: str
    what: str
    why: str = ""


@dataclass(frozen=True)
class Provenance:
    """Where the numbers come from: hash of the inputs, version of the tool, who made the analysis and when.

    ``seal`` closes the history of the book up to the report; ``""`` where there is no book.
    """

    inputs_hash: str
    version: str
    made_by: str
    analysed_at: datetime | None = None
    seal: str = ""


@dataclass(frozen=True)
class StudyReport:
    """Inputs of `reports.study.page.study_report`. Nothing is fitted again: all numbers come from here.

    Attributes
    ----------
    study, stack, line
    surfaces : Surfaces
        What `doe.fit` returned for these results.
    answer : Answer
        What `doe.recommend` returned for these surfaces.
    coupons : DataFrame
        All coupons of the plan, as in `doe.plans.Plan.coupons`.
    results : DataFrame
        One row a coupon in the format of `doe.domain.results.read_results`; optional text columns symptom, note, void.
    provenance : Provenance
    made_at : datetime
        When the report is made.
    checks : ClassicalChecks, optional
        Classical checks, shown in the proof; those kept with the surfaces when left out (these know no drift).
    history : tuple of HistoryRow, optional
    plan_notes : tuple of Finding or str, optional
        Notes of the plan.
    shown : Shown, optional
        The reader's units.
    gauged : GaugedLine, optional
        The line with its corrections in force: what to dial in. Without it nothing is said of displays.
    gauge_cautions : tuple of str, optional
        What to be careful about in them.
    photos : tuple of CouponPhoto, optional
        Photos of failed coupons, small enough for the page.
    photos_left : int, optional
        How many more there are in the book.
    confirmation : ConfirmationFacts, optional
        What the confirmation of this answer says, when one was planned.
    """

    study: Study
    stack: Stack
    line: Line
    surfaces: Surfaces
    answer: Answer
    coupons: pd.DataFrame
    results: pd.DataFrame
    provenance: Provenance
    made_at: datetime
    checks: ClassicalChecks | None = None
    history: tuple[HistoryRow, ...] = ()
    plan_notes: tuple[Finding | str, ...] = ()
    shown: Shown = METRIC
    gauged: GaugedLine | None = None
    gauge_cautions: tuple[str, ...] = ()
    confirmation: ConfirmationFacts | None = None
    photos: tuple[CouponPhoto, ...] = ()
    photos_left: int = 0

    @property
    def classical(self) -> ClassicalChecks:
        """The classical checks given, or those kept with the surfaces."""
        return self.surfaces.checks if self.checks is None else self.checks

    @property
    def marks(self) -> NDArray[np.str_]:
        """Mark of each scored coupon, in the order of the fitted results: pass, under, over, other or unknown."""
        fitted = self.surfaces.results
        return np.where(fitted.passed, "pass", fitted.side).astype(str)

    def near(self, *shown_factors: str) -> NDArray[np.bool_]:
        """Scored coupons whose settings, beside those shown, lie near the setpoint: within 0.6 of a half-range."""
        settings = self.surfaces.results.settings
        near = np.ones(len(settings), dtype=bool)
        for f in self.study.factors:
            if f.name in shown_factors:
                continue
            here = self.answer.setpoint[f.name]
            if f.is_categorical:
                near &= settings[f.name].to_numpy() == here
            else:
                near &= np.abs(code(f, settings[f.name].to_numpy()) - code(f, [float(here)])) <= 0.6
        return near

    def mean_hand(self) -> NDArray[np.float64]:
        """Mean hand-feel over the people, one a scored coupon; NaN where nobody scored it."""
        hand = self.surfaces.results.hand
        scored = np.isfinite(hand)
        total = np.where(scored, hand, 0).sum(axis=1)
        counts = scored.sum(axis=1)
        mean: NDArray[np.float64] = np.divide(total, counts, out=np.full(len(total), np.nan), where=counts > 0)
        return mean
