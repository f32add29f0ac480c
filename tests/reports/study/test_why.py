"""Why the numbers of a report are what they are: the same reasons as on a terminal, only for a fit with its model."""

from __future__ import annotations

from dataclasses import replace

from doe.setpoint.why import explain_answer
from doe.words.study.why import why_parts
from reports.study.page import study_page, study_report
from reports.study.proof import PRINTED
from tests.reports.study.samples import samples


def test_the_report_gives_the_reasons_of_the_terminal():
    report = samples()["more coupons"]
    page = study_page(report)
    parts = why_parts(report.study, explain_answer(report.study, report.surfaces, report.answer), report.shown)
    assert [reason.title for reason in page.why_reasons] == [part.title for part in parts]
    for reason, part in zip(page.why_reasons, parts, strict=True):
        assert reason.lines == part.lines
        assert (reason.table is None) == (not part.rows)
        if reason.table is not None:
            assert len(reason.table.rows) == len(part.rows)
            assert all(row[1:] == told[1:] for row, told in zip(reason.table.rows, part.rows, strict=True))
    text = study_report(report)
    assert text.index("Why these numbers") > text.index('id="proof"')
    assert text.count('<details class="reason') == len(parts)


def test_parts_that_are_not_printed_are_left_to_the_file():
    page = study_page(samples()["ready"])
    titles = {reason.title for reason in page.why_reasons}
    assert set(PRINTED) <= titles
    assert {reason.title for reason in page.why_reasons if reason.is_printed} == set(PRINTED)


def test_a_fit_put_together_by_hand_gives_no_reasons():
    report = samples()["ready"]
    bare = replace(report, surfaces=replace(report.surfaces, model=None))
    assert study_page(bare).why_reasons == ()
    assert "Why these numbers" not in study_report(bare)
