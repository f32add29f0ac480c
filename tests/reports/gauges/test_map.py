"""The page of a platen map: what it says must be what the map found."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from doe.assure.gauges.platen import judge_map
from doe.assure.gauges.summary import MachineMap
from doe.domain.finding import Finding
from doe.domain.gauge import GaugeReading
from doe.domain.units import METRIC, Shown
from reports.gauges.map import platen_view
from reports.pages import render

WHEN = datetime(2030, 3, 4, 9, 30, tzinfo=UTC)
PLACES = ("back left", "back", "back right", "left", "centre", "right", "front left", "front", "front right")


def readings(offsets, *, repeats=1, set_degc=150.0, scatter=0.0):
    return [
        GaugeReading("press", set_degc, None, set_degc + off + scatter * (-1) ** i, place)
        for place, off in offsets.items()
        for i in range(repeats)
    ]


def page_of(found, **named):
    """A map of a machine as a page shows it."""
    named = {"line": "back & front", "machine": "press", "name": "swing <press>", "set_degc": (150.0,)} | named
    day = date(2030, 3, 1)
    return MachineMap(first=day, last=day, found=found, **{"elsewhere": 0, "left_out": ()} | named)


def view(offsets, *, shown=METRIC, **more):
    found = judge_map(readings(offsets, **more))
    return platen_view(page_of(found), made_at=WHEN, shown=shown)


def test_headline_names_cold_and_hot_places():
    offsets = dict.fromkeys(PLACES, -4.0) | {"right": -12.0, "back": 3.0}
    page = view(offsets)
    assert page.headline == "The press is cold at right and hot at back"
    rows = {row[0]: row for row in page.table.rows}
    assert rows["right"] == ("right", "-12.0", "-21.6", "138 °C (280.4 °F)", "1", "cold")
    assert rows["back"][-1] == "hot"
    assert rows["centre"][-1] == "alike"
    assert "right -12.0 (cold)" in page.picture.svg


def test_even_platen_is_called_even():
    page = view(dict.fromkeys(PLACES, -4.0))
    assert page.headline == "The press is even where it was read"
    assert any("coupons may lie anywhere that was read" in text for text in page.sentences)


def test_scattering_readings_are_not_called_even():
    offsets = dict.fromkeys(PLACES, 0.0) | {"right": -8.0}
    page = view(offsets, repeats=2, scatter=9.0)
    assert page.headline == "The readings of the press scatter"
    assert any("That may be chance" in text for text in page.sentences)
    assert not any("coupons may lie anywhere" in text for text in page.sentences)


def test_unread_places_are_shown_and_counted():
    page = view({"centre": 0.0, "left": -1.0, "right": 1.0})
    assert "not read" in page.picture.svg
    assert page.picture.caption == "Grey: not read."
    assert "6 places of the grid were not read: nothing is known there." in page.sentences


def test_reader_in_fahrenheit_gets_fahrenheit_first():
    page = view(dict.fromkeys(PLACES, -5.0), shown=Shown("degF"))
    assert page.table.rows[0][1:4] == ("-9.0", "-5.0", "293 °F (145 °C)")
    assert "−9.0" in page.picture.svg
    assert any(
        text.startswith("From the coldest to the hottest place it is 0.0 °F (0.0 °C)") for text in page.sentences
    )


@pytest.mark.parametrize("grid", [(1, 3), (4, 4), (20, 20)])
def test_page_of_any_grid_is_one_sound_document(grid):
    places = [f"row {r + 1} column {c + 1}" for r in range(grid[0]) for c in range(grid[1])]
    found = judge_map([GaugeReading("oven", 120, None, 118 + i % 3, p) for i, p in enumerate(places)], grid=grid)
    made = page_of(found, line="<script>", machine="oven", name="t", set_degc=(120.0,))
    page = render("platen.html", platen_view(made, made_at=WHEN), names=())
    assert "<script>" not in page
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert page.count('class="plot platen"') == 1


def test_page_carries_cautions_and_escapes_names():
    found = judge_map(readings(dict.fromkeys(PLACES, 0.0)))
    left_out = (Finding("reading left out", {"name": "Reading 3", "why": "It is of bare metal."}),)
    page = render("platen.html", platen_view(page_of(found, left_out=left_out), made_at=WHEN), names=())
    assert "swing &lt;press&gt;" in page
    assert "Burns at a touch" in page
    assert "Reading 3 is left out. It is of bare metal." in page
