"""A machine that lines share is one thing: its readings and what is known of it count for each line made of it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from doe.acts.conditions import gauge_of, keep_certificate
from doe.acts.gauges.line import gauged_line, keep_readings
from doe.acts.waiting import what_waits
from doe.book.book import Book
from doe.book.tables import to_text
from doe.domain.errors import InputError
from doe.domain.gauge import Certificate, GaugeReading
from doe.domain.stack import Line, Machine
from tests.book.samples import STACK, make_study, read_machine

OVEN, PRESS = Machine("tunnel", 7, 11), Machine("swing press", 4, 12)
BACK = Line("back", OVEN, PRESS, "strip 3", gauge_u_degc=1.5)
FRONT = Line("front", press=Machine("clam press", 5, 9)).sharing("oven", BACK)
TAKEN = datetime(2030, 1, 1, tzinfo=UTC)


def reading(machine: str, at: float, measured: float) -> GaugeReading:
    return GaugeReading(machine, at, at, measured, taken_at=TAKEN)  # type: ignore[arg-type] # told in the test


@pytest.fixture
def shop(book: Book) -> Book:
    book.save_line(BACK)
    book.save_line(FRONT)
    read_machine(book, "back", -3, TAKEN)
    book.add_gauge_reading("back", reading("press", 150, 145))
    return book


def test_readings_of_a_shared_oven_count_for_both_lines_and_those_of_a_press_for_its_own(shop):
    assert [r.machine for r in shop.gauge_readings("front")] == ["oven"] * 3
    assert len(shop.gauge_readings("back")) == 4
    shop.add_gauge_reading("front", reading("oven", 130, 127))
    shop.add_gauge_reading("front", reading("press", 150, 139))
    assert [r.machine for r in shop.gauge_readings("back")] == ["oven"] * 3 + ["press", "oven"]
    assert [r.measured_degc for r in shop.gauge_readings("front") if r.machine == "press"] == [139]


def test_a_second_press_on_an_oven_that_was_gauged_is_dialled_in_without_gauging_it_again(shop):
    one, other = (gauged_line(shop, name, on=TAKEN.date()) for name in ("back", "front"))
    assert one.dial("cure_temp", 122.0) == other.dial("cure_temp", 122.0)
    assert other.dial("cure_temp", 122.0).is_checked
    assert not other.dial("press_temp", 150.0).is_checked


def test_the_oven_is_as_sure_as_the_gauge_it_was_read_with_whatever_gauge_the_other_line_has(shop):
    shop.save_line(replace(FRONT, gauge="probe", gauge_u_degc=0.2), "a gauge of its own")
    one, other = (gauged_line(shop, name, on=TAKEN.date()).dial("cure_temp", 122.0) for name in ("back", "front"))
    assert one.u_delta_degc == other.u_delta_degc


def test_an_expired_certificate_of_the_gauge_that_read_the_shared_oven_is_said_on_both_lines(shop):
    keep_certificate(shop, gauge_of(shop, "back"), Certificate("C 7", "a laboratory", date(2029, 12, 1)))
    for name in ("back", "front"):
        told = [c for c in gauged_line(shop, name, on=TAKEN.date()).left_out if c.code == "certificate expired"]
        assert [c.values["number"] for c in told] == ["C 7"], name


def test_a_reading_withdrawn_counts_for_neither(shop):
    first = shop.gauge_history("front")[0]
    shop.withdraw_gauge_reading(first.id, "not settled")
    assert len(shop.gauge_readings("front")) == 2
    assert len(shop.gauge_readings("back")) == 3


def test_repeats_are_numbered_on_whichever_line_they_were_taken_at(shop):
    made = keep_readings(shop, "front", [reading("oven", 125, 122)])
    assert made[0].reading.repeat == 2


def test_what_is_learned_of_a_shared_oven_is_known_on_every_line(shop):
    shop.save_line(replace(BACK, oven=replace(OVEN, heat_min_per_10=20, recovery_degc=2.0)), "timed again")
    assert shop.line("front").oven == replace(OVEN, heat_min_per_10=20, recovery_degc=2.0, of="back")
    assert [x.oven.heat_min_per_10 for x in shop.lines() if x.name in ("back", "front")] == [20, 20]


def test_a_machine_handed_on_is_that_of_the_line_that_keeps_it(shop):
    front = shop.line("front")
    shop.save_line(Line("third").sharing("oven", front).sharing("press", front))
    third = shop.line("third")
    assert (third.oven.of, third.press.of) == ("back", "front")
    assert third.shares("oven", shop.lines()) == ("back", "front")
    with pytest.raises(InputError, match="which is its own"):
        shop.save_line(BACK.sharing("oven", third), "turned round")


def test_a_shared_machine_waits_to_be_measured_once(shop):
    assert [(w.name, w.machine) for w in what_waits(shop) if w.kind == "gauge"] == [("back", "oven"), ("back", "press")]


def test_a_line_of_its_own_is_written_down_as_ever():
    assert '"of"' not in to_text(BACK)
    assert to_text(FRONT).count('"of": "back"') == 1


def test_a_study_keeps_the_line_as_it_stood(shop):
    shop.save_stack(replace(STACK, name="tee"))
    number = shop.add_study(make_study("on the front line"), stack="tee", line="front")
    shop.save_line(replace(BACK, oven=replace(OVEN, heat_min_per_10=20)), "timed again")
    assert shop.study(number).line.oven.heat_min_per_10 == 7
    assert gauged_line(shop, shop.study(number), on=TAKEN.date()).dial("cure_temp", 122.0).is_checked


def test_a_book_carried_elsewhere_keeps_who_shares_what(shop, tmp_path):
    shop.export(tmp_path / "shop.zip")
    with Book.open(tmp_path / "other.sqlite", who="ben") as other:
        other.import_(tmp_path / "shop.zip")
        assert other.line("front") == shop.line("front")
        assert other.gauge_readings("front") == shop.gauge_readings("front")
        assert other.check() == []
    assert shop.check() == []


@pytest.mark.in_file("damages the file behind the program")
def test_check_names_a_machine_whose_line_is_gone(shop, tmp_path):
    path = shop.backup(tmp_path / "copy.sqlite")
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("DROP TRIGGER no_update_lines")
        raw.execute("""UPDATE lines SET data = replace(data, '"of": "back"', '"of": "gone"')""")
    with Book.open(path, who="ana") as found:
        assert "The oven of line front is that of gone, which is not there." in found.check()
