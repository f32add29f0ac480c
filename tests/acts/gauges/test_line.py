"""Gauges in the book: a study's line with its corrections, and what its rounds have to do with them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pandas as pd
import pytest

from doe.acts.base import today
from doe.acts.gauges.line import gauged_line, keep_readings, refuse_dials
from doe.acts.gauges.line import study_cautions as cautions_of
from doe.acts.study.plans import commit_plan, compare_for, extend_study
from doe.assure.gauges.summary import machine_summaries
from doe.book.book import Book
from doe.domain.errors import InputError
from doe.domain.factors import usual_factor
from doe.domain.gauge import GaugeReading
from doe.domain.limits import Limits
from doe.domain.plan_kinds import COMPARE, is_as_dialled
from doe.domain.stack import Line, Material, Stack
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.words.facts import Reader, reader_of
from doe.words.gauges.cautions import caution_words

LIMITS = Limits(
    film_max_degc=180,
    powder_max_degc=180,
    fabric_max_degc=190,
    oven_max_degc=180,
    press_max_degc=190,
    min_cure_time_s=60,
    min_dwell_s=5,
)
FACTORS = tuple(usual_factor(n) for n in ("cure_temp", "cure_time", "press_temp", "dwell"))


def reading(machine, set_degc, measured, *, days=0, **more):
    return GaugeReading(machine, set_degc, None, measured, taken_at=datetime.now(UTC) - timedelta(days=days), **more)


def study_cautions(book, record, gauged=None):
    """What to be careful about, in words."""
    return caution_words(cautions_of(book, record, gauged), reader_of(record.study))


def low_press(off=-4.0, days=0):
    return [reading("press", t, t + off, days=days) for t in (140.0, 155.0, 170.0)]


def good_oven(days=0):
    return [reading("oven", t, t, days=days) for t in (110.0, 125.0, 140.0)]


@pytest.fixture
def book(tmp_path):
    with Book.open(tmp_path / "b.sqlite", who="ana") as opened:
        opened.save_stack(Stack("tee", Material("tee"), Material("film"), Material("powder")))
        opened.save_line(Line("room"))
        opened.add_study(Study("s", FACTORS, limits=LIMITS), stack="tee", line="room")
        yield opened


def add(book, *readings):
    for one in readings:
        book.add_gauge_reading("room", one)


def test_line_of_a_study_a_line_and_a_name_are_gauged_alike(book):
    add(book, *low_press())
    found = [
        gauged_line(book, asked).dial("press_temp", 151.0).dial_degc
        for asked in (book.study("s"), book.line("room"), "room")
    ]
    assert found == pytest.approx([155, 155, 155])
    with pytest.raises(InputError, match="nowhere"):
        gauged_line(book, "nowhere")


def test_details_of_gauge_and_machine_learned_later_count(book):
    add(book, *low_press())
    record = book.study("s")
    before = gauged_line(book, record).machine("press").budget.expanded
    line = book.line("room")
    book.save_line(replace(line, gauge_u_degc=8.0), "another gauge")
    assert gauged_line(book, record).machine("press").budget.expanded > before + 4


def test_withdrawn_reading_no_longer_corrects(book):
    add(book, *low_press())
    wrong = book.add_gauge_reading("room", reading("press", 155.0, 120.0))
    spoiled = gauged_line(book, "room").dial("press_temp", 151.0).dial_degc
    book.withdraw_gauge_reading(wrong, "not settled")
    assert spoiled != pytest.approx(155, abs=2)
    assert gauged_line(book, "room").dial("press_temp", 151.0).dial_degc == pytest.approx(155)


def test_readings_are_kept_all_or_none(book):
    bright = {"emissivity": 0.95, "surface_emissivity": 0.2}
    with pytest.raises(InputError, match="matt tape"):
        keep_readings(book, "room", [reading("press", 155.0, 150.0), reading("press", 155.0, 100.0, **bright)])
    assert book.gauge_history("room") == ()


def test_repeats_cut_off_halfway_are_not_kept(book, monkeypatch):
    add = Book.add_gauge_reading
    before = len(book.gauge_history("room"))

    def once(self, line, given):
        if given.repeat and given.repeat > 1:
            raise OSError("the power is gone")
        return add(self, line, given)

    monkeypatch.setattr(Book, "add_gauge_reading", once)
    with pytest.raises(OSError, match="power"):
        keep_readings(book, "room", [reading("press", 133, 130), reading("press", 133, 131)])
    assert len(book.gauge_history("room")) == before


def test_summary_is_the_users_units_in_words_and_degc_in_numbers(book):
    add(book, *low_press(off=-30.0))
    (press,) = machine_summaries(gauged_line(book, "room"))
    assert press.mean_delta_degc == pytest.approx(-30)
    assert any(
        "54 °F (30 °C) below its display" in text for text in caution_words(press.cautions, Reader(Shown("degF")))
    )


# plans


def test_plan_shows_what_to_dial_in_and_says_that_its_temperatures_are_surfaces(book):
    add(book, *low_press(), *good_oven())
    made = commit_plan(book, "s", kind="half", coupons=12)
    assert made.scale == "surface"
    assert made.cautions == ()
    assert made.gauged.dial("press_temp", 155.0).dial_degc == pytest.approx(159)
    assert not is_as_dialled(book.plan_info("s").rounds)


def test_comparing_plans_tells_of_gauges_and_counts_their_uncertainty(book):
    choice = compare_for(book, "s", coupons=20)
    assert [c.split(":")[0] for c in choice.cautions] == ["Display not checked"] * 2
    close = "steps within uncertainty"
    assert not any(w.code == close for j in choice.judgements for w in j.warnings)
    add(
        book,
        *low_press(),
        reading("press", 155.0, 135.0, place="back left"),
        reading("press", 155.0, 160.0, place="front"),
    )
    choice = compare_for(book, "s", coupons=20)
    # 15 degC between levels, known to +-15 and more by the uneven platen
    warned = [w for j in choice.judgements for w in j.warnings if w.code == close]
    assert {w.values["machine"] for w in warned} == {"press"}


def test_plan_whose_dials_the_press_cannot_be_given_is_refused_and_not_kept(book):
    add(book, *low_press(off=-25.0))
    with pytest.raises(InputError, match=r"dial setting of the press: found 195 °C .*limit of the press"):
        commit_plan(book, "s", kind="half", coupons=12)
    assert book.plan_info("s").rounds == ()
    assert any("limit of the press" in text for text in compare_for(book, "s", coupons=12).cautions)


def test_held_temperature_beyond_the_dial_is_refused_too(book):
    add(book, *low_press(off=-25.0))
    held = Study("h", FACTORS[:2], limits=LIMITS, held={"press_temp": 168.0})
    with pytest.raises(InputError, match="limit of the press"):
        refuse_dials(gauged_line(book, "room"), held, pd.DataFrame({"cure_temp": [120.0]}))


# rounds that were made under other rules


def stored_long_ago(book, scale="dial"):
    """A round as an earlier version kept it: at what was dialled in."""
    frame = pd.DataFrame(
        {
            "coupon": ["R1-01", "R1-02"],
            "cure_temp": [110.0, 140.0],
            "cure_time": [90.0, 210.0],
            "press_temp": [140.0, 170.0],
            "dwell": [8.0, 20.0],
            "round": [1, 1],
            "cure_batch": [1, 2],
            "press_batch": [1, 2],
            "cure_order": [1, 2],
            "press_order": [1, 2],
            "garment": [1, 1],
            "stroke": [1, 2],
            "role": ["corner", "corner"],
        }
    )
    book.save_round("s", frame, kind="chosen", seed=1, scale=scale)


def test_coupons_made_at_the_dial_are_never_corrected_a_second_time(book):
    add(book, *low_press(), *good_oven())
    stored_long_ago(book)
    gauged = gauged_line(book, book.study("s"))
    found = gauged.dial("press_temp", 151.0)
    assert (found.dial_degc, found.is_checked) == (151.0, False)
    said = study_cautions(book, book.study("s"))
    assert any("its temperatures are dial settings. Its surface is 4.0 °C (7.2 °F) below" in text for text in said)
    # the line itself, and another study on it, are corrected as ever
    assert gauged_line(book, "room").dial("press_temp", 151.0).dial_degc == pytest.approx(155)


def test_study_stays_on_its_scale_when_it_is_extended(book):
    add(book, *low_press(), *good_oven())
    stored_long_ago(book)
    extend_study(book, "s", coupons=4)
    assert not gauged_line(book, book.study("s")).dial("press_temp", 151.0).is_checked


def test_comparison_is_always_at_the_surface(book):
    add(book, *low_press())
    frame = pd.DataFrame(
        {"coupon": ["R1-01"], "cure_temp": [125.0], "cure_time": [150.0], "press_temp": [155.0], "dwell": [14.0]}
    )
    book.save_round("s", frame, kind=COMPARE, seed=1)
    assert gauged_line(book, book.study("s")).dial("press_temp", 151.0).is_checked


def test_round_planned_before_the_press_was_measured_is_named(book, monkeypatch):
    stored_long_ago(book, scale="surface")
    later = today() + timedelta(days=40)
    gauge = [reading("press", t, t - 6, days=-40) for t in (140.0, 155.0, 170.0)]
    add(book, *gauge)
    record = book.study("s")
    (said,) = [t for t in study_cautions(book, record, gauged_line(book, record, on=later)) if "round 1" in t]
    assert said.startswith(
        "The press: round 1 was planned before it was measured; for the same surface 6.0 °C (10.8 °F)"
    )
    assert "more is dialled in now" in said


def test_round_planned_under_another_correction_is_named(book):
    add(book, *low_press(off=-4.0))
    stored_long_ago(book, scale="surface")
    add(book, *[reading("press", t, t - 1, days=-200) for t in (140.0, 155.0, 170.0)])
    record = book.study("s")
    (said,) = [
        t
        for t in study_cautions(book, record, gauged_line(book, record, on=today() + timedelta(days=200)))
        if "round 1" in t
    ]
    assert "planned when another correction of it was in force; for the same surface 3.0 °C (5.4 °F) less" in said


def test_readings_of_tomorrow_are_not_known_today(book):
    add(book, *[reading("press", t, t - 6, days=-40) for t in (140.0, 155.0, 170.0)])
    assert not gauged_line(book, "room", on=today()).dial("press_temp", 151.0).is_checked
    assert gauged_line(book, "room", on=today()).on == today()
    assert gauged_line(book, "room", on=date(2999, 1, 1)).dial("press_temp", 151.0).is_checked
