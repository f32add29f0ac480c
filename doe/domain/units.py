"""Units: what is stored, what is shown, and reading what a person typed.

Stored: degC, s, bar, g/m2, m/min, mm, %. Shown: the user's choice, and both temperatures on anything printed.
A temperature *difference* converts without the offset: 10 degC of difference is 18 degF, not 50.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from doe.domain.errors import InputError, plain
from doe.domain.jsonable import packaged_table

TemperatureUnit = Literal["degC", "degF"]
PressureUnit = Literal["bar", "psi"]

ABSOLUTE_ZERO_DEGC = -273.15
PSI_PER_BAR = 14.503773773  # 1 psi = 6894.757293 Pa (exact inch, pound and standard gravity)
G_M2_PER_OZ_YD2 = 33.905747  # 28.349523125 g / 0.83612736 m2
MM_PER_INCH = 25.4

STORED_UNITS = ("degC", "s", "bar", "g/m2", "m/min", "mm", "%", "")
"""Units a factor may carry; an empty one is for categorical factors."""

_TABLES = packaged_table("units")
SYMBOLS: Mapping[str, str] = _TABLES["signs"]
_SPELLINGS: Mapping[str, str] = _TABLES["spelled"]

_STORED_OF: Mapping[str, str] = _TABLES["stored"]

# A stored value is one in the unit times the first number, over the second; what is stored itself is not here.
_TO_STORED: Mapping[str, tuple[float, float]] = {
    "min": (60, 1),
    "psi": (1, PSI_PER_BAR),
    "kPa": (1, 100),
    "oz/yd2": (G_M2_PER_OZ_YD2, 1),
    "m": (1000, 1),
    "cm": (10, 1),
    "in": (MM_PER_INCH, 1),
    "ft": (12 * MM_PER_INCH, 1),
    "ft/min": (12 * MM_PER_INCH, 1000),
}

_QUANTITY = re.compile(r"^\s*([-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?)\s*([^\d\s].*?)?\s*$")


def unit_spelled(text: str) -> str | None:
    """Unit a person may have meant, such as ``degF`` for ``°F`` or ``s`` for ``secs``; None if it is none of ours.

    >>> unit_spelled("secs"), unit_spelled("deg F"), unit_spelled("g per m2"), unit_spelled("ml")
    ('s', 'degF', 'g/m2', None)
    """
    plainer = re.sub(r"\s+per\s+", "/", text.strip().lower()).replace("degrees", "deg").replace("º", "°")
    return _SPELLINGS.get("".join(plainer.split()))


def stored_unit(unit: str) -> str:
    """Stored unit of the same kind: ``degC`` for ``degF``, ``s`` for ``min``; itself when it is stored."""
    return _STORED_OF.get(unit, unit)


def degf(degc: float) -> float:
    """Fahrenheit of a Celsius temperature.

    >>> degf(138)
    280.4
    """
    return degc * 9 / 5 + 32


def degc(degf_value: float) -> float:
    """Celsius of a Fahrenheit temperature.

    >>> degc(320)
    160.0
    """
    return (degf_value - 32) * 5 / 9


def delta_degf(delta_degc: float) -> float:
    """Fahrenheit degrees of a Celsius *difference*.

    >>> delta_degf(10)
    18.0
    """
    return delta_degc * 9 / 5


def psi(bar: float) -> float:
    """Pounds per square inch of a pressure in bar."""
    return bar * PSI_PER_BAR


def to_stored(value: float, unit: str) -> float:
    """Value in the stored unit of the same kind (degF to degC, min to s, psi to bar, m to mm, ft/min to m/min).

    Raises
    ------
    InputError
        If the unit is unknown.
    """
    if unit == "degF":
        return degc(value)
    if unit not in STORED_UNITS and unit not in _STORED_OF:
        raise InputError("unit", unit, ", ".join(_STORED_OF), "Correct the unit.")
    times, by = _TO_STORED.get(unit, (1.0, 1.0))
    return value * times / by


@dataclass(frozen=True)
class Shown:
    """The units a user wants to see; storage does not change with them."""

    temperature: TemperatureUnit = "degC"
    pressure: PressureUnit = "bar"

    def unit(self, stored: str) -> str:
        """Unit shown for a stored unit."""
        return {"degC": self.temperature, "bar": self.pressure}.get(stored, stored)

    def value(self, stored_value: float, stored: str) -> float:
        """Stored value in the shown unit."""
        shown = self.unit(stored)
        if shown == "degF":
            return degf(stored_value)
        return psi(stored_value) if shown == "psi" else stored_value

    @property
    def other(self) -> Shown:
        """The other unit of each kind."""
        return Shown("degF" if self.temperature == "degC" else "degC", "psi" if self.pressure == "bar" else "bar")

    def delta(self, stored_value: float, stored: str) -> float:
        """Stored *difference* in the shown unit."""
        shown = self.unit(stored)
        if shown == "degF":
            return delta_degf(stored_value)
        return psi(stored_value) if shown == "psi" else stored_value


METRIC = Shown()


def rounded(value: float, decimals: int = 0) -> float:
    """A number as every screen, page and dial of ours rounds it: a half goes away from zero, as people do it.

    Python's own rounding takes halves to the even neighbour: 120.5 and 119.5 would both read 120. What is a half but
    for the last bits of a binary number counts as one.

    >>> rounded(120.5), rounded(-2.25, 1), rounded(2.675, 2), rounded(119.4)
    (121.0, -2.3, 2.68, 119.0)
    """
    scale = 10.0**decimals
    size = abs(value) * scale
    if not size < _NO_PARTS:  # too large to have halves, or no number
        return value
    return math.copysign(math.floor(round(size, 6) + 0.5) / scale, value)


_NO_PARTS = 2.0**52


def fixed(value: float, decimals: int = 0, sign: str = "") -> str:
    """The same as text with so many decimals; ``sign="+"`` for one before what is not negative either.

    >>> fixed(120.5), fixed(2.25, 1), fixed(0.25, 1, "+"), fixed(-0.4)
    ('121', '2.3', '+0.3', '-0')
    """
    return f"{rounded(value, decimals):{sign}.{decimals}f}"


def show(value: float, unit: str, shown: Shown = METRIC, *, digits: int = 4) -> str:
    """Quantity as text in the user's units, such as ``150 °C`` or ``12 s``.

    >>> show(150, "degC", Shown(temperature="degF"))
    '302 °F'
    """
    number = shown.value(value, unit)
    # so many digits in all: those before the point leave fewer behind it
    decimals = digits - 1 - math.floor(math.log10(abs(number))) if number and math.isfinite(number) else 0
    return f"{rounded(number, decimals):.{digits}g} {SYMBOLS[shown.unit(unit)]}".rstrip()


def show_both(value: float, unit: str, shown: Shown = METRIC) -> str:
    """Quantity for a printed sheet: temperatures in both units, the user's first.

    >>> show_both(150, "degC")
    '150 °C (302 °F)'
    >>> show_both(12, "s")
    '12 s'
    """
    if unit != "degC":
        return show(value, unit, shown)
    return f"{show(value, unit, shown)} ({show(value, unit, shown.other)})"


def show_difference(delta_degc: float, shown: Shown = METRIC, *, decimals: int | None = 1) -> str:
    """A temperature *difference* in both units, the user's first; as many decimals as it has where none are given.

    >>> show_difference(-4), show_difference(10, Shown(temperature="degF"), decimals=0)
    ('-4.0 °C (-7.2 °F)', '18 °F (10 °C)')
    """
    sizes = ((u.delta(delta_degc, "degC"), SYMBOLS[u.temperature]) for u in (shown, shown.other))
    return "{} ({})".format(
        *(f"{f'{size:g}' if decimals is None else fixed(size, decimals)} {symbol}" for size, symbol in sizes)
    )


def size_words(size: float, unit: str) -> str:
    """A *difference* in its stored unit and in the other one, for who has not said what he reads.

    >>> size_words(300, "degC"), size_words(2, "bar"), size_words(12, "s")
    ('300 °C (540 °F)', '2 bar (29 psi)', '12 s')
    """
    if unit == "degC":
        return show_difference(size, decimals=None)
    if unit == "bar":
        return f"{size:g} bar ({psi(size):.2g} psi)"
    return f"{size:g} {SYMBOLS[unit]}".rstrip()


def parse_number(text: str, where: str) -> float:
    """Number from text; a decimal comma is taken as a point.

    Raises
    ------
    InputError
        If the text is not one finite number.
    """
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError as error:
        raise InputError(where, repr(text), "a number", "Write digits only, such as 12.5.") from error
    if not math.isfinite(value):
        raise InputError(where, text, "a finite number", "Leave the cell empty if it was not measured.")
    return value


def parse_quantity(text: str, stored: str, where: str, *, default: str | None = None) -> float:
    """Stored value of what a person typed: ``160``, ``320F``, ``2 min``, ``40 psi``, ``12,5 s``.

    Parameters
    ----------
    text : str
        What was typed.
    stored : str
        Stored unit of the field, one of `STORED_UNITS`.
    where : str
        The field's name, for the message.
    default : str, optional
        Unit of a bare number; the stored unit when left out.

    Raises
    ------
    InputError
        If it is not a number with a unit of the right kind, or a bare number looks like Fahrenheit.
    """
    match = _QUANTITY.match(text)
    if match is None:
        raise InputError(
            where,
            repr(text),
            f"a number, with or without a unit such as {default or stored}",
            "Write it like 150 or 302F.",
        )
    number = parse_number(match[1], where)
    unit = default or stored
    if match[2]:
        spelled = unit_spelled(match[2])
        if spelled is None or _STORED_OF[spelled] != stored:
            kinds = ", ".join(u for u, s in _STORED_OF.items() if s == stored)
            raise InputError(where, repr(text), f"a value in {kinds}", "Correct the unit.")
        unit = spelled
    value = to_stored(number, unit)
    if unit == "degC" and not match[2]:
        check_celsius(value, where)
    return value


def looks_like_fahrenheit(value: float) -> bool:
    """Whether a number given as degC is out of every Celsius range here but usual in Fahrenheit.

    200 degC and above is never proposed; 200 to 400 degF is 93 to 204 degC, where this work happens.
    """
    return 200 <= value <= 400


def check_celsius(value: float, where: str) -> None:
    """Refuse a temperature that looks like Fahrenheit, saying what it would be.

    Raises
    ------
    InputError
        If `looks_like_fahrenheit`.
    """
    if looks_like_fahrenheit(value):
        raise InputError(
            where,
            show_both(value, "degC"),
            f"below {show_both(200, 'degC')}",
            f"If it is Fahrenheit, write {plain(value)}F (that is {plain(round(degc(value), 1))} degC).",
        )
