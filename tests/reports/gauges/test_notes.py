"""What the study report says of gauges, against the corrections themselves."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from doe.assure.gauges.line import GaugedLine, gauge_line
from doe.assure.gauges.summary import gauge_cautions
from doe.domain.gauge import GaugeReading
from doe.domain.units import Shown
from doe.words.gauges.cautions import caution_words
from doe.words.typography import NO_BREAK
from reports.study.inputs import StudyReport
from reports.study.page import gauge_note, gauge_notes, study_page, study_report
from tests.reports.study.samples import LINE, samples

DAY = date(2030, 6, 1)


def gauged(*, machines=("oven", "press"), on=DAY, as_dialled=False) -> GaugedLine:
    noon = datetime(2030, 6, 1, 12, tzinfo=UTC)
    readings = [
        GaugeReading(machine, t, None, t + off, taken_at=noon)
        for machine, off, settings in (("press", -4.0, (140, 155, 170)), ("oven", -3.0, (110, 125, 140)))
        if machine in machines
        for t in settings
    ]
    return gauge_line(LINE, readings, on=on, as_dialled=as_dialled)


def report(found: GaugedLine | None, *, shown: Shown | None = None, case: str = "ready") -> StudyReport:
    made = samples()[case]
    said = () if found is None else caution_words(gauge_cautions(found, made.study))
    return replace(made, gauged=found, gauge_cautions=said, shown=shown or made.shown)


def first_number(text: str) -> float:
    return float(re.match(r"-?\d+(?:\.\d+)?", text)[0])


def test_dial_of_every_machine_temperature_makes_up_for_the_display():
    made = report(gauged())
    notes = gauge_notes(made)
    rows = {row[0]: row for row in notes.dial_table.rows}
    for name, label, off in (("cure_temp", "cure temperature", 3), ("press_temp", "press temperature", 4)):
        surface = float(made.answer.setpoint[name])
        assert first_number(rows[label][3]) == round(surface)
        assert first_number(rows[label][1]) == round(surface + off)
        assert "°F)" in rows[label][1]
    assert notes.lead.startswith("The temperatures above are those to dial in;")
    assert "1 June 2030" in notes.lead
    assert notes.cautions == ()


def test_window_is_told_on_the_dial_where_there_is_one():
    made = report(gauged())
    rows = {row[0]: row for row in gauge_notes(made).dial_table.rows}
    low, high = (float(made.answer.window.bounds[end]["press_temp"]) for end in ("low", "high"))
    ends = [first_number(text) for text in rows["press temperature"][4].split(" to ")]
    assert ends == [round(low + 4), round(high + 4)]
    without = gauge_notes(report(gauged(), case="not reachable"))
    assert {row[4] for row in without.dial_table.rows} == {""}


def test_unchecked_machine_has_no_dial_and_a_caution():
    notes = gauge_notes(report(gauged(machines=("oven",))))
    assert [row[0] for row in notes.dial_table.rows] == ["cure temperature"]
    assert [c for c in notes.cautions if c.startswith("Display not checked: the press")]
    assert not any(p.name.startswith("press") for p in notes.pairs)


def test_no_reading_at_all_is_said_at_the_answer():
    notes = gauge_notes(report(gauged(machines=())))
    assert notes.dial_table is None
    assert notes.lead == "No gauge reading tells what to dial in: display not checked."
    assert len(notes.cautions) == 2
    text = study_report(report(gauged(machines=()))).replace(NO_BREAK, " ")
    assert text.index("dial = surface, display not checked") < text.index("How sure")
    assert text.index("Display not checked: the oven") < text.index('id="statistician"')


def test_gauge_out_of_date_is_said():
    notes = gauge_notes(report(gauged(on=date(2031, 6, 1))))
    assert any("was due on 29 September 2030" in c for c in notes.cautions)


def test_coupons_made_at_the_dial_get_no_correction():
    notes = gauge_notes(report(gauged(as_dialled=True)))
    assert notes.dial_table is None
    assert any("its temperatures are dial settings" in c for c in notes.cautions)


def test_report_without_gauges_says_nothing_of_them():
    assert gauge_notes(report(None)) is None
    assert gauge_note(report(None)) == ()
    assert "To dial in" not in study_report(report(None))


def test_worth_of_the_readings_stands_in_the_record():
    found = gauged()
    pairs = {p.name: p.value for p in gauge_notes(report(found)).pairs}
    press = found.machine("press")
    assert pairs["press: readings in force"] == "3, last on 1 June 2030"
    assert first_number(pairs["press: a surface temperature is known to"][1:]) == pytest.approx(
        press.budget.expanded, abs=0.06
    )
    assert pairs["press: most of that from"] == "probe"
    assert pairs["press: measure again by"] == "29 September 2030"
    assert "press: setting error by its readings" not in pairs  # nothing was read twice


def test_page_shows_dial_errors_and_explanation():
    page = study_page(report(gauged()))
    assert any(line.startswith("Taken out of the coupons as the trial's own error") for line in page.method_lines)
    assert any(line.startswith("Put in for production, in full") for line in page.method_lines)
    assert page.notes[-1].question.startswith("Why is what I dial in not the temperature")
    text = study_report(report(gauged(), shown=Shown("degF"))).replace(NO_BREAK, " ")
    assert "What to dial in on" in text
    row = text[text.index("What to dial in on") :]
    assert re.search(r"\d+ °F \(\d+ °C\)", row)


def test_trial_error_stands_beside_that_of_production():
    made = report(gauged())
    factors = tuple(replace(f, trial_sd=2.0) if f.name == "press_temp" else f for f in made.study.factors)
    page = study_page(replace(made, study=replace(made.study, factors=factors)))
    (pair,) = [p for p in page.range_pairs if p.name == "press temperature"]
    assert "(of the trial 2 °C (3.6 °F))" in pair.value
