"""A line with its corrections: dial and surface, what is in force, and what there is to be careful about."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.assure.gauges.line import gauge_line
from doe.assure.gauges.summary import SuggestedError, gauge_cautions, machine_temperatures, refuse_dial, suggested_error
from doe.domain.errors import InputError
from doe.domain.factors import usual_factor
from doe.domain.gauge import GaugeReading
from doe.domain.limits import Limits
from doe.domain.stack import DEFAULT_PRESS, Line
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.words.facts import reader_of
from doe.words.gauges.cautions import caution_words
from doe.words.gauges.setting_errors import basis_words

DAY = date(2030, 6, 1)
NOON = datetime(2030, 6, 1, 12, tzinfo=UTC)
LINE = Line("back room")
STUDY = Study("s", (usual_factor("press_temp"), usual_factor("dwell")))


def read(set_degc, measured, *, machine="press", days=0, shown=None, place="centre", **more):
    return GaugeReading(machine, set_degc, shown, measured, place, taken_at=NOON - timedelta(days=days), **more)


FOUR_LOW = [read(140, 136), read(155, 151), read(170, 166)]
OVEN = [read(t, t - 2, machine="oven") for t in (110, 125, 140)]


def words(gauged, study, shown=METRIC):
    return caution_words(gauge_cautions(gauged, study), reader_of(study, shown))


def test_dial_makes_up_for_what_the_surface_lacks():
    gauged = gauge_line(LINE, FOUR_LOW, on=DAY)
    found = gauged.dial("press_temp", 151.0)
    assert found.dial_degc == pytest.approx(155)
    assert found.is_checked
    assert not found.is_beyond
    assert 1.1 < found.u_delta_degc < 2  # never better than the probe
    assert found.low_degc < 155 - found.u_delta_degc
    assert found.high_degc > 155 + found.u_delta_degc
    assert gauged.surface("press_temp", 155.0).surface_degc == pytest.approx(151)
    assert gauged.dial("dwell", 12.0) is None


@given(gain=st.floats(0.85, 1.1), off=st.floats(-12, 12), surface=st.floats(130, 175), lag=st.floats(-3, 3))
@settings(deadline=None, max_examples=25)
def test_surface_of_the_dial_is_the_surface_that_was_wanted(gain, off, surface, lag):
    readings = [read(t, 155 + off + gain * (t - 155), shown=t - lag) for t in (140, 150, 160, 170)]
    gauged = gauge_line(LINE, readings, on=DAY)
    dial = gauged.dial("press_temp", surface)
    assert dial.dial_degc == pytest.approx(155 + (surface - 155 - off) / gain, abs=1e-6)
    assert gauged.surface("press_temp", dial.dial_degc).surface_degc == pytest.approx(surface, abs=1e-6)


def test_unread_machine_gives_the_surface_as_dial_and_says_so():
    gauged = gauge_line(LINE, OVEN, on=DAY)
    found = gauged.dial("press_temp", 155.0)
    assert (found.dial_degc, found.u_delta_degc, found.is_checked) == (155.0, None, False)
    (said,) = words(gauged, STUDY)
    assert said.startswith("Display not checked: the press was never measured")


def test_machine_in_date_and_well_read_gives_no_caution():
    assert words(gauge_line(LINE, FOUR_LOW, on=DAY), STUDY) == ()


def test_readings_of_an_older_campaign_no_longer_correct():
    older = [read(t, t + 10, days=400) for t in (140, 155, 170)]
    gauged = gauge_line(LINE, [*older, *FOUR_LOW], on=DAY)
    assert gauged.dial("press_temp", 151.0).dial_degc == pytest.approx(155)
    assert gauged.machine("press").older == 3
    # a year and more ago only the older ones were known
    before = gauge_line(LINE, [*older, *FOUR_LOW], on=DAY - timedelta(days=390))
    assert before.dial("press_temp", 165.0).dial_degc == pytest.approx(155)


def test_drift_is_told_from_old_and_new_readings_together():
    many = [read(155, 155 - 15 * (400 - d) / 365, days=d) for d in (400, 300, 200, 100, 0)]
    said = words(gauge_line(LINE, many, on=DAY), STUDY)
    assert any("drifts by -15 °C (-27 °F) a year" in text for text in said)


def test_out_of_date_is_said_and_the_correction_still_made():
    gauged = gauge_line(LINE, FOUR_LOW, on=DAY + timedelta(days=200))
    assert gauged.dial("press_temp", 151.0).is_checked
    assert any("was due on 29 September 2030" in text for text in words(gauged, STUDY))


def test_one_reading_corrects_every_temperature_alike_and_says_so():
    gauged = gauge_line(LINE, [read(150, 146)], on=DAY)
    assert gauged.dial("press_temp", 160.0).dial_degc == pytest.approx(164)
    assert any("1 reading cannot show more" in text for text in words(gauged, STUDY))


def test_range_beyond_what_was_read_is_named():
    near = [read(t, t - 4) for t in (120, 130, 140)]
    gauged = gauge_line(LINE, near, on=DAY)
    assert gauged.dial("press_temp", 170.0).is_beyond
    (both,) = [t for t in words(gauge_line(LINE, [read(155, 151)] * 3, on=DAY), STUDY) if "outside" in t]
    assert "140 °C (284 °F) and 170 °C (338 °F) lie outside what was read on the press (display 155 °C" in both
    said = words(gauged, STUDY)
    assert any("170 °C (338 °F) lies outside what was read on the press" in text for text in said)
    fahrenheit = words(gauged, STUDY, Shown("degF"))
    assert any("338 °F (170 °C) lies outside" in text for text in fahrenheit)


def test_display_that_the_surface_does_not_follow_corrects_nothing():
    gauged = gauge_line(LINE, [read(140, 150), read(155, 149), read(170, 151)], on=DAY)
    assert gauged.dial("press_temp", 155.0).dial_degc == 155.0
    assert any("do not show that its surface follows" in text for text in words(gauged, STUDY))


def test_large_correction_is_doubted():
    gauged = gauge_line(LINE, [read(t, t - 30) for t in (140, 155, 170)], on=DAY)
    assert any("30 °C (54 °F) below its display" in text for text in words(gauged, STUDY))


def test_bare_metal_reading_is_left_out_with_its_remedy():
    bad = read(150, 90, emissivity=0.95, surface_emissivity=0.3, tool="infrared")
    gauged = gauge_line(LINE, [*FOUR_LOW, bad], on=DAY, names={3: "Reading 9"})
    assert gauged.dial("press_temp", 151.0).dial_degc == pytest.approx(155)
    (said,) = caution_words(gauged.left_out)
    assert said.startswith("Reading 9 is left out.")
    assert "matt tape" in said
    assert "contact probe" in said


def test_dial_beyond_what_the_machine_may_be_set_to_is_refused():
    limited = replace(STUDY, limits=Limits(press_max_degc=172.0, film_max_degc=171.0))
    gauged = gauge_line(LINE, FOUR_LOW, on=DAY)
    top = gauged.dial("press_temp", 170.0).dial_degc
    with pytest.raises(InputError, match=r"found 174 °C .*at most 172 °C \(341.6 °F\) \(limit of the press\)"):
        refuse_dial(limited, "press_temp", top)
    assert any("limit of the press" in text for text in words(gauged, limited))
    refuse_dial(STUDY, "press_temp", top)  # the film's limit is that of the surface, not of the dial
    with pytest.raises(InputError, match="below 200"):
        refuse_dial(STUDY, "press_temp", 200.0)


def test_held_temperature_counts_like_a_varied_one():
    held = Study("s", (usual_factor("press_temp"), usual_factor("dwell")), held={"cure_temp": 125.0, "mesh": "fine"})
    assert machine_temperatures(held) == {"press_temp": (140, 170), "cure_temp": (125.0, 125.0)}
    said = words(gauge_line(LINE, FOUR_LOW, on=DAY), held)
    assert [text for text in said if "oven" in text]


def test_line_gets_the_uncertainty_of_its_readings_unless_one_was_stated():
    gauged = gauge_line(LINE, FOUR_LOW, on=DAY)
    budget = gauged.machine("press").budget
    assert gauged.line.press.uncertainty_degc == pytest.approx(budget.expanded, abs=0.01)
    assert gauged.line.oven.uncertainty_degc is None
    stated = replace(LINE, press=replace(DEFAULT_PRESS, uncertainty_degc=1.0))
    kept = gauge_line(stated, FOUR_LOW, on=DAY)
    assert kept.line.press.uncertainty_degc == 1.0
    assert any("stated to be known to ±1.0 °C" in text for text in words(kept, STUDY))


def test_budget_has_the_sources_that_were_entered():
    known = replace(LINE, gauge_u_degc=1.0, press=replace(DEFAULT_PRESS, display_step_degc=5.0, recovery_degc=3.0))
    readings = [read(155, 151), read(155, 152), read(155, 147, place="front left"), read(155, 153, place="back")]
    table = gauge_line(known, readings, on=DAY).machine("press").budget.table.set_index("source")
    assert list(table.index) == ["probe", "resolution of the display", "map", "repeats", "recovery"]
    assert table.loc["probe", "u"] == pytest.approx(0.5)
    assert table.loc["resolution of the display", "u"] == pytest.approx(2.5 / np.sqrt(3))
    assert table.loc["recovery", "u"] == pytest.approx(3 / np.sqrt(3))
    assert table.loc["map", "u"] == pytest.approx((153 - 147) / 2 / np.sqrt(3))


def test_suggested_error_is_measured_only_where_readings_suffice():
    press = gauge_line(LINE, FOUR_LOW, on=DAY).machine("press")
    assert suggested_error(press) == SuggestedError("press_temp", 5.0, "no reading", None, 3, None)
    rng = np.random.default_rng(3)
    at_centre = [read(155, 151 + e) for e in rng.normal(0, 1, 6)]
    found = suggested_error(gauge_line(LINE, at_centre, on=DAY).machine("press"))
    assert (found.sd, found.basis) == (5.0, "not from place to place")
    assert "without what changes from place to place" in basis_words(found)
    places = ("back left", "back right", "front left", "front right")
    mapped = [read(155, 151 + d + e, place=p) for p, d in zip(places, (-3, 2, -1, 3), strict=True) for e in (-1, 0, 1)]
    press = gauge_line(LINE, [*at_centre, *mapped], on=DAY).machine("press")
    found = suggested_error(press)
    assert found.basis == "measured"
    assert press.setting_error.sd_delta_degc <= found.sd < press.setting_error.sd_delta_degc + 0.1
    wild = [read(155, v) for v in (140, 150, 160, 170)]
    assert suggested_error(gauge_line(LINE, wild, on=DAY).machine("press")).basis == "measured"


def test_nothing_is_known_of_a_line_without_readings():
    gauged = gauge_line(LINE, [], on=DAY)
    assert gauged.line == LINE
    assert [m.status.state for m in gauged.machines] == ["missing", "missing"]
    assert all(m.step_delta_degc is None for m in gauged.machines)
