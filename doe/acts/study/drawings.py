"""What is drawn of a study's answer: room strips and maps, as its report has them."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import UTC, datetime

from doe.acts.base import Progress
from doe.acts.gauges.line import gauged_line
from doe.acts.study.fits import answer_from, fit_of
from doe.acts.study.sheets import report_facts
from doe.acts.study.standing import answer_kept
from doe.book.book import Book
from doe.book.records import AnalysisRecord, StudyRecord
from doe.domain.units import Shown
from reports.study.page import study_drawings
from reports.views import StudyDrawings


def drawings_sum(book: Book, record: StudyRecord) -> str:
    """Sum of everything that the drawings of a study depend on; empty while no answer stands."""
    kept = answer_kept(book, record)
    if kept is None:
        return ""
    parts = (kept.inputs_hash, kept.seed, kept.id, record.study, gauged_line(book, record))
    return hashlib.sha256(repr(parts).encode()).hexdigest()


def draw_study(
    book: Book, record: StudyRecord, kept: AnalysisRecord, *, shown: Shown, progress: Progress
) -> StudyDrawings:
    """Strips and maps of an answer as it is kept; nothing is stored, and draws of its fit are found again.

    The results must be those that the answer was given to.
    """
    fitted = fit_of(book, record, kept.seed, lambda share: progress(0.4 * share))
    progress(0.4)
    report = report_facts(book, fitted, answer_from(kept.payload), kept, shown, datetime.now(UTC))
    drawn = study_drawings(replace(report, gauged=gauged_line(book, record)), lambda share: progress(0.4 + 0.6 * share))
    progress(1.0)
    return drawn
