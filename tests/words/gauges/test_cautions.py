"""What gauge readings say of machines, in sentences and the reader's units."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import get_args

import pytest

from doe.assure.gauges import display, setting_error
from doe.assure.gauges.dates import judge_gauge
from doe.assure.gauges.display import fit_display
from doe.assure.gauges.line import gauge_line
from doe.assure.gauges.platen import MeaningCode, judge_map
from doe.assure.gauges.summary import CautionCode, gauge_cautions
from doe.domain.factors import usual_factor
from doe.domain.gauge import GaugeReading
from doe.domain.stack import Line
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.words.facts import reader_of
from doe.words.gauges.cautions import CAUTIONS, MEANING, NOTES, caution_words, machine_notes, map_words, status_words

FAHRENHEIT = Shown("degF")
STUDY = Study("s", (usual_factor("press_temp"), usual_factor("dwell")))
DAY = date(2030, 6, 1)


def press(set_degc, measured, *, place="centre", days=0):
    at = datetime(2030, 6, 1, 8, tzinfo=UTC) - timedelta(days=days)
    return GaugeReading("press", set_degc, None, measured, place, taken_at=at)


def test_every_code_has_its_words():
    assert set(CAUTIONS) == set(get_args(CautionCode))
    assert set(NOTES) == {*get_args(display.NoteCode), *get_args(setting_error.NoteCode)}
    assert set(MEANING) == set(get_args(MeaningCode))


@pytest.mark.parametrize(
    ("readings", "metric", "fahrenheit"),
    [
        ([press(150, 120), press(151, 121)], "30 °C (54 °F) below its display", "54 °F (30 °C) below its display"),
        ([press(155, 151)] * 3, "140 °C (284 °F)", "284 °F (140 °C)"),
        ([press(155, 151)] * 3, "settings 8 °C (14 °F) or more apart", "settings 14 °F (8 °C) or more apart"),
        ([press(155, 151, days=200)], "smaller than 5 °C (9 °F)", "smaller than 9 °F (5 °C)"),
    ],
)
def test_cautions_are_in_the_units_of_the_reader(readings, metric, fahrenheit):
    found = gauge_cautions(gauge_line(Line("back room"), readings, on=DAY), STUDY)
    assert any(metric in text for text in caution_words(found, reader_of(STUDY)))
    assert any(fahrenheit in text for text in caution_words(found, reader_of(STUDY, FAHRENHEIT)))
    assert not any(metric in text for text in caution_words(found, reader_of(STUDY, FAHRENHEIT)))


def test_notes_on_a_machine_are_in_the_units_of_the_reader():
    gauge = gauge_line(Line("back room"), [press(155, 151), press(155, 153)], on=DAY).machine("press")
    metric, fahrenheit = machine_notes(gauge), machine_notes(gauge, FAHRENHEIT)
    assert "at settings 8 °C (14 °F) or more apart" in metric[0]
    assert "at settings 14 °F (8 °C) or more apart" in fahrenheit[0]
    assert "of the press rests on about 1 degree of freedom" in metric[-1]
    assert machine_notes(gauge_line(Line("back room"), [], on=DAY).machine("press")) == ()


def test_a_setting_error_that_no_reading_tells_is_not_said_twice():
    one = gauge_line(Line("back room"), [press(155, 151)], on=DAY).machine("press")
    assert not any("is taken as" in text for text in machine_notes(one))


def test_readings_that_were_put_together_are_named():
    elsewhere = fit_display([press(150, 146, place="back left")], "press")
    assert elsewhere.notes[0].code == "all places together"
    gauge = gauge_line(Line("back room"), [press(150, 146, place="back left")], on=DAY).machine("press")
    assert machine_notes(gauge)[0] == "No reading of the press at the centre: all places are taken together."


def test_status_is_said_only_where_there_is_something_to_say():
    readings = [press(160, 157)]
    assert status_words(judge_gauge([], "press", on=DAY)).startswith("The press was never measured")
    assert status_words(judge_gauge(readings, "press", on=DAY)) == ""
    late = status_words(judge_gauge(readings, "press", on=date(2031, 1, 1)), FAHRENHEIT)
    assert late == (
        "The press was last measured on 1 June 2030 and was due on 29 September 2030: measure it again before "
        "relying on a change smaller than 9 °F (5 °C)."
    )


def test_a_map_says_where_coupons_may_lie():
    uneven = judge_map([press(160, 157 + d, place=p) for p, d in (("centre", 0), ("left", -12), ("right", 1))])
    said = map_words(uneven)
    assert said[0] == "From the coldest to the hottest place it is 13.0 °C (23.4 °F)."
    assert any(text.startswith("Cold: left. A print that lies there gets less heat") for text in said)
    assert "6 places of the grid were not read: nothing is known there." in said
    assert "Each place was read once: read three passes to tell a cold place from a chance reading." in said
    even = judge_map([press(160, 157 + d, place=p) for p, d in (("centre", 0), ("left", 0.5), ("right", -0.5))])
    assert map_words(even, FAHRENHEIT)[1].startswith("No place differs from the mean by more than 5 °F (3 °C)")
    assert map_words(even, METRIC)[1].startswith("No place differs from the mean by more than 3 °C (5 °F)")
