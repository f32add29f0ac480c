"""What a study report is made from."""

from __future__ import annotations

import io
from base64 import b64encode
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from PIL import Image, ImageOps, UnidentifiedImageError

from doe.assure.gauges.line import GaugedLine
from doe.domain.coding import code
from doe.domain.finding import Finding
from doe.domain.stack import Line, Stack
from doe.domain.standing import StudyStanding
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.setpoint.answer import Answer
from doe.surfaces.checks import ClassicalChecks
from doe.surfaces.fitted import Surfaces
from doe.words.confirmation.verdict import ConfirmationFacts

LONGEST, QUALITY = 480, 72
"""Longest side in pixels and JPEG quality: a hand-sized coupon still shows grain and haze."""

MOST_BYTES = 1_500_000
"""Photos in one page, together."""

_FACES = {"print": "print side", "back": "back"}


@dataclass(frozen=True)
class CouponPhoto:
    """A photo as it travels in a page: ``coupon``, ``face`` in words, ``address`` that holds the small JPEG."""

    coupon: str
    face: str
    address: str


def small_jpeg(image: bytes) -> bytes | None:
    """Photo turned as it was taken, at most `LONGEST` pixels long, as JPEG without any tags (no place, no camera).

    None if it cannot be read as a picture: a page is made all the same.
    """
    try:
        with Image.open(io.BytesIO(image)) as opened:
            upright = ImageOps.exif_transpose(opened).convert("RGB")
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None
    upright.thumbnail((LONGEST, LONGEST))
    buffer = io.BytesIO()
    upright.save(buffer, "JPEG", quality=QUALITY, optimize=True)
    return buffer.getvalue()


def photos_for_page(
    wanted: Iterable[tuple[str, str, Callable[[], bytes]]], *, most_bytes: int = MOST_BYTES
) -> tuple[tuple[CouponPhoto, ...], int]:
    """Photos that travel in a page, and how many were left out because it would grow too heavy.

    Parameters
    ----------
    wanted : iterable of (coupon, face, load)
        ``load`` is called only while there is room.
    most_bytes : int
        Of the photos together, as they stand in the page.
    """
    # the first of every coupon before the second of any: light pages show every coupon once
    turns: Counter[str] = Counter()
    ranked = []
    for photo in wanted:
        ranked.append((turns[photo[0]], photo))
        turns[photo[0]] += 1
    kept: list[CouponPhoto] = []
    used, left = 0, 0
    for _, (coupon, face, load) in sorted(ranked, key=lambda each: each[0]):
        jpeg = None if used >= most_bytes else small_jpeg(load())
        address = "" if jpeg is None else f"data:image/jpeg;base64,{b64encode(jpeg).decode('ascii')}"
        if not address or used + len(address) > most_bytes:
            left += 1
            continue
        used += len(address)
        kept.append(CouponPhoto(coupon, _FACES.get(face, face), address))
    return tuple(kept), left


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
    conditions : mapping, optional
        How coupons were washed, the room and the gauge's certificate, in words by name.
    photos_left : int, optional
        How many more there are in the book.
    confirmation : ConfirmationFacts, optional
        What the confirmation of this answer says, when one was planned.
    standing : StudyStanding, optional
        What is known of the study by its book; by this answer alone when left out.
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
    standing: StudyStanding | None = None
    photos: tuple[CouponPhoto, ...] = ()
    photos_left: int = 0
    conditions: Mapping[str, str] = field(default_factory=dict)

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
