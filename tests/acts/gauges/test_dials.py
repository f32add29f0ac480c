"""What a recipe says to dial in: by the readings in force, never above what a machine may be given."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from doe.acts.gauges.line import dials_of
from doe.acts.recipe.release import _beyond_the_dial
from doe.acts.study.plans import commit_plan
from doe.domain.gauge import GaugeReading
from doe.plans.build import make_plan
from doe.words.gauges.cautions import caution_words
from tests.acts.recipe.samples import STUDY

SETPOINT = {"cure_temp": 124.0, "cure_time": 135.0, "press_temp": 160.0, "dwell": 15.0}
WINDOW = {"cure_temp": (122.0, 127.0), "press_temp": (157.0, 164.0), "dwell": (14.0, 16.0)}
TODAY = datetime.now(UTC).date()


@pytest.fixture
def planned(shop_with):
    """A study whose coupons are planned in surface temperatures, with the demo's gauge readings withdrawn."""
    shop = shop_with(0)
    with shop.open() as book:
        commit_plan(book, STUDY, kind="auto", coupons=20)
        for kept in book.gauge_history(book.study(STUDY).line.name):
            book.withdraw_gauge_reading(kept.id, "test")
    return shop


def measured(book, machine: str, off: float, *settings: float) -> None:
    """Readings of a machine whose surface lies this far from its display."""
    for set_to in settings or (120.0, 145.0, 170.0):
        book.add_gauge_reading(book.study(STUDY).line.name, GaugeReading(machine, set_to, set_to, set_to + off))


def test_the_dial_undoes_what_the_machine_is_off(planned):
    with planned.open() as book:
        measured(book, "oven", -3.0)
        measured(book, "press", 6.0)
        found = dials_of(book, book.study(STUDY), SETPOINT, WINDOW, on=TODAY)
    assert found.of["cure_temp"].dial.degc == 127
    assert found.of["press_temp"].dial.degc == 154
    assert (found.of["press_temp"].surface_degc, found.of["press_temp"].low_degc) == (160, 157)
    assert set(found.of) == {"cure_temp", "press_temp"}  # times have no display to be wrong
    assert not found.as_dialled


def test_a_machine_never_measured_has_no_dial_and_a_caution(planned):
    with planned.open() as book:
        measured(book, "press", -4.0)
        found = dials_of(book, book.study(STUDY), SETPOINT, WINDOW, on=TODAY)
    assert set(found.of) == {"press_temp"}
    assert any("oven was never measured" in text for text in caution_words(found.cautions))
    assert not any("press was never measured" in text for text in caution_words(found.cautions))


def test_a_dial_beyond_the_press_or_the_ceiling_is_refused(planned):
    with planned.open() as book:
        measured(book, "oven", 0.0)
        measured(book, "press", -32.0)
        record = book.study(STUDY)
        found = dials_of(book, record, SETPOINT, WINDOW, on=TODAY)
        problems = [str(p) for p in _beyond_the_dial(record, found)]
    assert found.of["press_temp"].dial.degc == 192
    assert len(problems) == 1
    assert "dial setting of the press: found 192 °C (377.6 °F); allowed: at most 190 °C" in problems[0]


def test_a_setting_far_from_what_was_read_is_said(planned):
    with planned.open() as book:
        measured(book, "press", 0.0, 100.0, 110.0, 120.0)
        found = dials_of(book, book.study(STUDY), SETPOINT, WINDOW, on=TODAY)
    assert any("beyond the range in which it was measured" in text for text in caution_words(found.cautions))


def test_coupons_made_at_dial_settings_get_their_surface_from_the_readings(shop_with):
    with shop_with(0).open() as book:
        record = book.study(STUDY)
        plan = make_plan(record.study, coupons=20, line=record.line)
        # a round from before dial settings were corrected carries no note about surfaces
        book.save_round(record.id, plan.coupons, kind=plan.kind, seed=0, notes=())
        found = dials_of(book, record, SETPOINT, WINDOW, on=TODAY)
    press = found.of["press_temp"]
    assert (press.dial.degc, press.dial_low_degc, press.dial_high_degc) == (160, 157, 164)
    assert press.surface_degc == pytest.approx(155.9, abs=1.0)
    assert press.high_degc - press.low_degc == pytest.approx(7.0, abs=0.5)
    assert found.as_dialled
