"""Why the numbers of a report are what they are, as its proof shows them."""

from __future__ import annotations

from doe.setpoint.why import explain_answer
from doe.words.study.why import differences
from doe.words.study.why_parts import WhyPart, rough_note, why_parts
from doe.words.wording import sentence
from reports.study.inputs import StudyReport
from reports.study.proof import number, words
from reports.views import PageTable, Reason

PRINTED = (
    "Which coupons carry them",
    "Whether any setting reaches the target",
    "Hand-feel",
    "What would change them",
)
"""Parts that stand on paper too; the others are left to the file, so that a printed report stays short."""


def why_reasons(report: StudyReport) -> tuple[tuple[str, ...], tuple[Reason, ...]]:
    """What must be known first, and the reasons, number by number; none for a fit put together by hand."""
    if report.surfaces.traces is None:
        return (), ()
    why = explain_answer(report.study, report.surfaces, report.answer)
    parts = why_parts(report.study, why, report.shown)
    return (*differences(report.answer, why), *rough_note(parts)), tuple(_reason(report, part) for part in parts)


def _reason(report: StudyReport, part: WhyPart) -> Reason:
    is_printed = part.title in PRINTED
    if not part.rows:
        return Reason(part.title, part.lines, None, is_printed)
    columns = tuple((words if head in part.texts else number)(sentence(head).rstrip(".")) for head in part.heads)
    rows = part.rows
    if part.heads[0] == "factor":
        rows = tuple((report.study.factor(row[0]).label, *row[1:]) for row in rows)
    return Reason(part.title, part.lines, PageTable(part.title, columns, rows, part.note), is_printed)
