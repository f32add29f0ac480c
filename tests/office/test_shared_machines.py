"""A line that is made of machines which are there already, told in the browser."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from doe.book.book import Book
from doe.domain.gauge import GaugeReading
from doe.domain.stack import Line, Machine
from tests.office.walk import Walk, compares

TAKEN = datetime.now(UTC).replace(microsecond=0) - timedelta(days=9)


@pytest.fixture
def two_rooms(tmp_path: Path) -> Path:
    """A book of two lines, each with an oven that was read."""
    path = tmp_path / "lines.sqlite"
    with Book.open(path, who="ana") as book:
        for name, measured in (("back room", 122), ("front room", 119)):
            book.save_line(Line(name, Machine(f"{name} oven", 10, 15), Machine("press", 4, 12)))
            book.add_gauge_reading(name, GaugeReading("oven", 125, 125, measured, taken_at=TAKEN))
    return path


def test_a_new_line_takes_the_oven_of_another_and_its_readings(office_over):
    office = office_over()
    walk = Walk(office.device("Ana"))
    materials = {"fabric": "cotton tee", "film": "film", "powder": "powder"}
    walk.go("/begin")
    walk.send("/begin-materials", **materials)
    walk.send("/begin-machines", line_name="back room", oven="drawer oven", press="clam press")
    walk.go("/line/back%20room")
    walk.send("/line/back%20room", machine="oven", display="125", measured="122")
    walk.go("/begin")
    walk.send("/begin-materials", stack_chosen="new", stack_name="other", **materials)
    assert "Is the oven there already, on another line?" in walk.page.text
    walk.send("/begin-machines", line_chosen="new", line_name="front room", oven_of="back room", press="swing press")
    walk.go("/line/front%20room")
    assert "The oven is that of back room too: a reading counts for all." in walk.page.text
    assert [r.measured_degc for r in office.book.gauge_readings("front room")] == [122]
    assert office.book.line("front room").press.of is None


@compares("/changed-machine/{line:path}")
def test_another_press_is_told_by_page_as_by_command(office_over, empty_shop):
    office = office_over()
    walk = Walk(office.device("Ana"))
    walk.go("/begin")
    walk.send("/begin-materials", fabric="cotton tee", film="film", powder="powder", stack_name="tee")
    walk.send("/begin-machines", line_name="back room", oven="drawer oven", press="clam press")
    walk.go("/line/back%20room")
    walk.send("/line/back%20room", machine="press", display="150", measured="146", place="centre")
    walk.send("/changed-machine/back%20room", new_kind="press", new_name="swing press", expect=422)
    walk.send(
        "/changed-machine/back%20room",
        new_kind="press",
        new_name="swing press",
        new_why="broke",
        since="2031",
        expect=422,
    )
    walk.send("/changed-machine/back%20room", new_kind="press", new_name="swing press", new_why="broke", since="")
    assert "readings of the one before do not count" in walk.page.text
    assert not office.book.gauge_readings("back room")
    shop = empty_shop
    shop.good("stack", "add", "tee", "--fabric", "cotton tee", "--film", "film", "--powder", "powder")
    line = ("line", "add", "back room", "--oven", "drawer oven", "--press")
    shop.good(*line, "clam press")
    reading = ("--machine", "press", "--set", "150", "--measured", "146", "--place", "centre")
    shop.good("gauge", "add", "back room", *reading)
    shop.good(*line, "swing press", "--press-since", datetime.now(UTC).isoformat(), "--why", "broke")
    with shop.open() as book:
        there, here = book.line("back room"), office.book.line("back room")
        assert replace(here, press=replace(here.press, since=there.press.since)) == there
        assert not book.gauge_readings("back room")


@compares("/changed-machine/{line:path}")
def test_a_machine_that_moves_and_is_called_otherwise_by_page_as_by_command(twice, two_rooms):
    both = twice(two_rooms)
    walk, shop = both.walk, both.shop
    since = (TAKEN + timedelta(days=2)).isoformat()
    walk.go("/line/front%20room")
    back, front = "comes|oven|back room|back room oven", "comes|oven||front room oven"
    move = {"new_kind": "oven", "new_name": "", "since": since, "new_why": "the back room is given up"}
    walk.send("/changed-machine/front%20room", **{**move, "which": back, "new_why": ""}, expect=422)
    assert "Say why, in a few words." in walk.page.text
    assert re.search(
        r'<option value="comes\|oven\|back room\|back room oven" selected>', walk.page.text
    )  # kept as chosen
    walk.send("/changed-machine/front%20room", **{**move, "which": "comes|oven|nowhere|x"}, expect=422)
    walk.send("/changed-machine/front%20room", **{**move, "which": back})
    shop.good("line", "move", "back room oven", "front room", "--since", since, "--why", "the back room is given up")
    both.same()
    assert [r.measured_degc for r in both.office.book.gauge_readings("front room")] == [122]
    walk.go("/lines")
    assert "on no line" not in walk.page.text
    assert "no line" in walk.page.text
    walk.go("/line/back%20room")
    later = (TAKEN + timedelta(days=3)).isoformat()
    walk.send("/changed-machine/back%20room", **{**move, "which": front, "since": later})
    shop.good("line", "move", "front room oven", "back room", "--since", later, "--why", "the back room is given up")
    both.same()
    rename = {"which": "named", "new_kind": "oven", "new_name": "old oven", "new_why": "it is the old one"}
    walk.send("/changed-machine/back%20room", **{**rename, "new_why": ""}, expect=422)
    walk.send("/changed-machine/back%20room", **{**rename, "new_name": "back room oven"}, expect=422)
    assert "a name that no other machine has" in walk.page.text
    walk.send("/changed-machine/back%20room", **rename)
    shop.good("line", "rename", "front room oven", "old oven", "--why", "it is the old one")
    both.same()
    newest = (TAKEN + timedelta(days=4)).isoformat()
    walk.send("/changed-machine/back%20room", **{**move, "which": "new", "new_name": "conveyor", "since": newest})
    why = ("--why", "the back room is given up")
    shop.good("line", "add", "back room", "--oven", "conveyor", "--oven-since", newest, *why)
    both.same()
    shop.good("book", "check")


@compares("/changed-machine/{line:path}")
def test_an_oven_that_is_used_on_two_lines_puts_the_one_before_by_on_a_page_as_by_command(twice, two_rooms):
    both = twice(two_rooms)
    walk, shop = both.walk, both.shop
    walk.go("/line/front%20room")
    one = {"which": "shared|oven|back room|back room oven", "new_why": "both use it"}
    walk.send("/changed-machine/front%20room", **{**one, "since": "2031-03-05"}, expect=422)
    assert "it counts from now on" in walk.page.text
    walk.send("/changed-machine/front%20room", **{**one, "since": ""})
    assert "shared|oven" not in walk.page.text  # there is none to share that is not shared
    told = shop.good("line", "add", "front room", "--oven-of", "back room", "--why", "both use it").out
    assert "front room oven is on no line now and keeps what was read of it" in " ".join(told.split())
    both.same()
    walk.go("/lines")
    assert re.search(r"front room oven</t[dh]>\s*<td[^>]*>oven</td>\s*<td[^>]*>no line</td>", walk.page.text)
    walk.go("/line/front%20room")
    back = {"which": "comes|oven||front room oven", "new_why": "it has its own again"}
    walk.send("/changed-machine/front%20room", **back)
    shop.good("line", "move", "front room oven", "front room", "--why", "it has its own again")
    both.same()
    assert [r.measured_degc for r in both.office.book.gauge_readings("front room")] == [119]
    assert [r.measured_degc for r in both.office.book.gauge_readings("back room")] == [122]


def test_gauges_stand_once_on_the_page_of_machines_and_one_out_of_date_is_said_there(office_over):
    office = office_over()
    with office.book.writing():
        for name in ("back room", "front room"):
            office.book.save_line(Line(name, gauge="strip 3"))
    walk = Walk(office.device("Ana"))
    walk.go("/line/front%20room")
    assert "It is used on back room and front room." in walk.page.text
    walk.send("/certificate/front%20room", number="4711", issuer="Orr metrology", until="2020-03-05")
    walk.go("/lines")
    text = " ".join(re.sub(r"<[^>]*>", " ", walk.page.text).split())
    assert "strip 3 back room and front room 4711 5 March 2020" in text
    assert "Out of date: the gauge strip 3 on back room and front room" in text


def test_a_reading_names_its_platen_on_the_page(office_over):
    office = office_over()
    office.book.save_line(Line("back room"))
    walk = Walk(office.device("Ana"))
    walk.go("/line/back%20room")
    reading = {"display": "150", "measured": "146", "platen": "left", "place": "back left"}
    walk.send("/line/back%20room", machine="oven", **reading, expect=422)
    assert "of a press with several" in walk.page.text
    walk.send("/line/back%20room", machine="press", **reading)
    assert "platen left, back left" in walk.page.text
    assert [r.platen for r in office.book.gauge_readings("back room")] == ["left"]
