"""Gauge readings refuse what cannot be one."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest

from doe.domain.errors import InputError
from doe.domain.gauge import GaugeReading
from doe.domain.serial import line_from, to_plain
from doe.domain.stack import Line, Machine


def test_a_reading_takes_what_a_person_writes_down() -> None:
    when = datetime(2030, 1, 1, tzinfo=UTC)
    reading = GaugeReading("press", 150, 151, 143.5, "back left", "strip", when, "cold corner", 0.95)
    assert reading.measured_degc == 143.5


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"machine": "kettle"}, "machine: found kettle; allowed: oven or press"),
        (
            {"set_degc": 320.0},
            r"set: found 320 °C \(608 °F\); allowed: below 200 °C \(392 °F\)\. If it is Fahrenheit, write 320F",
        ),
        ({"measured_degc": math.nan}, r"measured: found nan; allowed: -50 °C \(-58 °F\) to below 200 °C \(392 °F\)"),
        ({"measured_degc": math.inf}, r"measured: found inf; allowed: -50 °C \(-58 °F\) to below 200 °C"),
        ({"shown_degc": -60.0}, r"shown: found -60\.0"),
        ({"emissivity": 0.0}, r"emissivity: found 0\.0; allowed: above 0 to 1"),
        ({"surface_emissivity": 1.2}, r"surface emissivity: found 1\.2; allowed: above 0 to 1"),
        ({"surroundings_degc": 300.0}, r"surroundings: found 300 °C \(572 °F\); allowed: below 200 °C"),
        ({"taken_at": datetime(2030, 1, 1)}, "a time with its zone"),
    ],
)
def test_what_cannot_be_a_reading_is_refused(change: dict[str, Any], said: str) -> None:
    good: dict[str, Any] = {"machine": "press", "set_degc": 150.0, "shown_degc": None, "measured_degc": 148.0}
    with pytest.raises(InputError, match=said):
        GaugeReading(**{**good, **change})


def test_reading_stored_before_passes_were_counted_is_read_and_written_the_same() -> None:
    old = {
        "machine": "press",
        "set_degc": 150.0,
        "shown_degc": None,
        "measured_degc": 146.0,
        "place": "centre",
        "tool": "",
        "taken_at": None,
        "note": "",
        "emissivity": None,
    }
    reading = GaugeReading(**old)
    assert reading.repeat is None
    assert "repeat" not in to_plain(reading)
    assert to_plain(GaugeReading("press", 150, None, 146, repeat=2))["repeat"] == 2


@pytest.mark.parametrize("repeat", [0, -1, 1001])
def test_pass_that_cannot_be_counted_is_refused(repeat: int) -> None:
    with pytest.raises(InputError, match="repeat"):
        GaugeReading("press", 150, None, 146, repeat=repeat)


def test_line_stored_before_gauges_had_details_is_read_and_written_the_same() -> None:
    plain = to_plain(Line("room"))
    assert "gauge_u_degc" not in plain
    assert "recovery_degc" not in plain["press"]
    assert line_from(plain) == Line("room")
    told = Line("room", press=Machine("press", 4, 12, recovery_degc=3.0, display_step_degc=5.0), gauge_u_degc=1.5)
    assert line_from(to_plain(told)) == told


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: Line("room", gauge_u_degc=-1.0), "gauge, uncertainty"),
        (lambda: Line("room", gauge_u_degc=math.nan), "gauge, uncertainty"),
        (lambda: Machine("press", 4, 12, recovery_degc=math.inf), "recovery"),
        (lambda: Machine("press", 4, 12, display_step_degc=11.0), "step of the display"),
    ],
)
def test_details_that_no_gauge_or_machine_has_are_refused(make: Callable[[], object], said: str) -> None:
    with pytest.raises(InputError, match=said):
        make()
