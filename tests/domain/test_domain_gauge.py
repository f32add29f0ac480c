"""Gauge readings refuse what cannot be one."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

import pytest

from doe.domain.errors import InputError
from doe.domain.gauge import GaugeReading


def test_a_reading_takes_what_a_person_writes_down() -> None:
    when = datetime(2030, 1, 1, tzinfo=UTC)
    reading = GaugeReading("press", 150, 151, 143.5, "back left", "strip", when, "cold corner", 0.95)
    assert reading.measured_degc == 143.5


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"machine": "kettle"}, "machine: found kettle; allowed: oven or press"),
        ({"set_degc": 320.0}, r"set: found 320 degC; allowed: below 200 degC\. If it is Fahrenheit, write 320F"),
        ({"measured_degc": math.nan}, "measured: found nan; allowed: -50 to below 200 degC"),
        ({"measured_degc": math.inf}, "measured: found inf; allowed: -50 to below 200 degC"),
        ({"shown_degc": -60.0}, r"shown: found -60\.0"),
        ({"emissivity": 0.0}, r"emissivity: found 0\.0; allowed: above 0 to 1"),
        ({"surface_emissivity": 1.2}, r"surface emissivity: found 1\.2; allowed: above 0 to 1"),
        ({"surroundings_degc": 300.0}, r"surroundings: found 300 degC; allowed: below 200 degC"),
        ({"taken_at": datetime(2030, 1, 1)}, "a time with its zone"),
    ],
)
def test_what_cannot_be_a_reading_is_refused(change: dict[str, Any], said: str) -> None:
    good: dict[str, Any] = {"machine": "press", "set_degc": 150.0, "shown_degc": None, "measured_degc": 148.0}
    with pytest.raises(InputError, match=said):
        GaugeReading(**{**good, **change})
