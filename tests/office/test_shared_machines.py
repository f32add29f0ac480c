"""A line that is made of machines which are there already, told in the browser."""

from __future__ import annotations

from tests.office.walk import Walk


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
