"""Units: published and exact conversions, differences, and what a person types."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import doe
import reports
from doe.domain.coding import to_step
from doe.domain.errors import InputError, InputErrors
from doe.domain.factors import usual_factor
from doe.domain.units import (
    Shown,
    degc,
    degf,
    delta_degf,
    fixed,
    parse_quantity,
    psi,
    rounded,
    show,
    show_both,
    show_difference,
    to_stored,
)
from doe.words.gauges.dials import whole_both
from doe.words.wording import amount, percent, prints, score


def test_conversions_agree_with_values_worked_by_hand() -> None:
    # exact definitions of the inch, pound, ounce and yard
    assert degf(138) == pytest.approx(280.4)
    assert degc(320) == pytest.approx(160)
    assert delta_degf(10) == pytest.approx(18)  # a difference, not 50
    assert to_stored(40, "psi") == pytest.approx(2.758, abs=5e-4)
    assert to_stored(60, "psi") == pytest.approx(4.137, abs=5e-4)
    assert to_stored(1, "oz/yd2") == pytest.approx(33.906, abs=5e-4)
    assert to_stored(2, "min") == 120
    assert to_stored(250, "kPa") == 2.5


@given(st.floats(-200, 400))
def test_fahrenheit_and_back_changes_nothing(value: float) -> None:
    assert degc(degf(value)) == pytest.approx(value, abs=1e-9)


@given(st.floats(0.1, 20))
def test_pressure_and_back_changes_nothing(bar: float) -> None:
    assert to_stored(psi(bar), "psi") == pytest.approx(bar)


@pytest.mark.parametrize(
    ("typed", "stored", "value"),
    [
        ("160", "degC", 160),
        ("320F", "degC", 160),
        ("320 °F", "degC", 160),
        ("160,5 C", "degC", 160.5),
        ("90", "s", 90),
        ("2 min", "s", 120),
        ("12,5 s", "s", 12.5),
        ("40 psi", "bar", 2.758),
        ("35", "g/m2", 35),
        (".5", "bar", 0.5),
    ],
)
def test_what_a_person_types_is_read(typed: str, stored: str, value: float) -> None:
    assert parse_quantity(typed, stored, "field") == pytest.approx(value, abs=5e-4)


@pytest.mark.parametrize("typed", ["", "warm", "nan", "1e999", "160 s", "12 bar bar", "--5"])
def test_what_is_no_temperature_is_refused_in_one_line(typed: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_quantity(typed, "degC", "press_temp")
    assert "press_temp" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_bare_number_that_looks_like_fahrenheit_is_asked_about() -> None:
    with pytest.raises(InputError, match=r"write 320F \(that is 160 degC\)"):
        parse_quantity("320", "degC", "press_temp")
    assert parse_quantity("320", "degC", "press_temp", default="degF") == pytest.approx(160)


def test_printed_temperatures_stand_in_both_units_the_users_first() -> None:
    assert show_both(150, "degC") == "150 °C (302 °F)"
    assert show_both(150, "degC", Shown(temperature="degF")) == "302 °F (150 °C)"
    assert show_both(12, "s") == "12 s"
    assert show(2.758, "bar", Shown(pressure="psi")) == "40 psi"
    assert Shown(temperature="degF").delta(10, "degC") == pytest.approx(18)


def test_many_problems_show_the_first_ten_and_count_the_rest() -> None:
    problems = [InputError(f"row {i}", "x", "y", "Mend it.") for i in range(14)]
    lines = str(InputErrors(problems)).splitlines()
    assert len(lines) == 11
    assert lines[-1] == "... and 4 more like these."
    assert InputErrors(problems).problems == tuple(problems)


def test_a_half_goes_up_on_every_screen_and_dial_whatever_its_neighbours_are() -> None:
    # Python's own rounding takes 120.5 to 120 and 121.5 to 122
    for whole in range(260):
        half, up = whole + 0.5, str(whole + 1)
        assert fixed(half) == up
        assert fixed(-half) == f"-{up}"
        assert fixed(half / 10, 1) == f"{(whole + 1) / 10:.1f}"
        assert whole_both(half).startswith(f"{up} °C (")
        assert amount(usual_factor("press_temp"), half) == f"{up} °C"
        assert to_step(half, 1.0) == whole + 1
    assert prints(0.945) == "95 of 100 prints"
    assert show(1234.5, "s") == "1235 s"
    assert show_difference(0.25) == "0.3 °C (0.5 °F)"
    assert show_difference(2.5, decimals=0) == "3 °C (5 °F)"
    assert percent(0.125) == "13 %"
    assert score(3.25) == "3.3"


@given(st.integers(-(10**7), 10**7), st.integers(0, 4))
def test_a_number_with_few_decimals_stays_itself_and_what_is_nearly_a_half_is_one(ticks: int, decimals: int) -> None:
    number = ticks / 10**decimals
    assert rounded(number, decimals) == number
    nearly = (ticks + 0.5) / 10**decimals * 3 / 3  # off a half by the last bits
    assert rounded(nearly, decimals) == (ticks + (ticks >= 0)) / 10**decimals


def test_no_other_rounding_makes_the_text_of_a_screen() -> None:
    """A format of Python's own with a fixed number of decimals rounds halves to even."""
    base = Path(doe.__file__).parent
    places = [base / name for name in ("words", "bench", "office", "cli")] + [Path(reports.__file__).parent]
    drawn = {"drawing", "artwork.py", "labels.py", "figures.py", "whatif.py"}  # lengths in pictures, not numbers
    for path in (p for place in places for p in place.rglob("*.py")):
        if drawn.isdisjoint(path.parts):
            for line in path.read_text(encoding="utf-8").splitlines():
                assert ">>>" in line or not re.search(r"\{[^{}]+:[+]?\.[0-9]f\}", line), (path, line)
