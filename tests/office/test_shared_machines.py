"""A line that is made of machines which are there already, told in the browser."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from tests.office.walk import Walk, compares


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


@compares("/new-machine/{line:path}")
def test_another_press_is_told_by_page_as_by_command(office_over, empty_shop):
    office = office_over()
    walk = Walk(office.device("Ana"))
    walk.go("/begin")
    walk.send("/begin-materials", fabric="cotton tee", film="film", powder="powder", stack_name="tee")
    walk.send("/begin-machines", line_name="back room", oven="drawer oven", press="clam press")
    walk.go("/line/back%20room")
    walk.send("/line/back%20room", machine="press", display="150", measured="146", place="centre")
    walk.send("/new-machine/back%20room", new_kind="press", new_name="swing press", expect=422)
    walk.send(
        "/new-machine/back%20room", new_kind="press", new_name="swing press", new_why="broke", since="2031", expect=422
    )
    walk.send("/new-machine/back%20room", new_kind="press", new_name="swing press", new_why="broke", since="")
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
