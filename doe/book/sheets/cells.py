"""What people write into cells beside their scores: units, levels, settings, names of coupons."""

from __future__ import annotations

import re
import unicodedata

from doe.domain.errors import InputError, plain
from doe.domain.factors import Factor
from doe.domain.said import squeeze
from doe.domain.units import SYMBOLS, degc, degf, parse_number, parse_quantity, unit_spelled

_UNIT_IN_BRACKETS = re.compile(r"[(\[]\s*([^()\[\]]*?)\s*[)\]]")


def coupon_name(text: str) -> str:
    """Name of a coupon as it is compared: lower case, no blanks, one kind of dash (spreadsheets change them)."""
    text = re.sub(r"[‐-―−]", "-", unicodedata.normalize("NFKC", text).casefold())
    return "".join(text.split())


def split_unit(heading: str) -> tuple[str, str | None]:
    """Heading without the unit in brackets, and that unit.

    >>> split_unit("press temperature (°F)")
    ('press temperature', 'degF')
    >>> split_unit("pass (all checks)")
    ('pass (all checks)', None)
    """
    for match in _UNIT_IN_BRACKETS.finditer(heading):
        unit = unit_spelled(match[1])
        if unit is not None:
            return f"{heading[: match.start()].rstrip()}{heading[match.end() :]}".strip(), unit
    return heading.strip(), None


def read_level(text: str, factor: Factor, where: str) -> str:
    """Level of a categorical factor, in any case.

    Raises
    ------
    InputError
        If it is none of its levels.
    """
    # as it stands, then in letters and digits only, where that still means one level: 1.5 and 15 are two
    for form in (lambda word: "".join(word.casefold().split()), squeeze):
        found = [level for level in factor.levels if form(level) == form(text)]
        if len(found) == 1:
            return found[0]
    raise InputError(where, repr(text), ", ".join(factor.levels), "Correct the level.")


def read_amount(text: str, factor: Factor, unit: str, where: str, *, near: float | None = None) -> float:
    """Setting in the stored unit.

    Parameters
    ----------
    text : str
        A number, maybe with a unit of its own, which then wins.
    factor : Factor
    unit : str
        Unit of a bare number.
    where : str
    near : float, optional
        Value it should be near to, in the stored unit: tells a mixed-up temperature unit.

    Raises
    ------
    InputError
        If it is no number of the right kind, or a temperature that looks like the other unit.
    """
    value = parse_quantity(text, factor.unit, where, default=unit) if unit != "degF" else _read_degf(text, where, near)
    if factor.unit == "degC" and not 0 < value < 400:
        raise InputError(where, f"{text} {SYMBOLS[unit]}", "a temperature of a press or oven", "Correct the number.")
    if factor.scale == "log" and value <= 0:
        raise InputError(where, text, f"above 0 {factor.symbol}", "Correct the number.")
    return value


def _read_degf(text: str, where: str, near: float | None) -> float:
    """Celsius of a cell in a Fahrenheit column; a bare number that is surely Celsius is refused."""
    try:
        number = parse_number(text, where)
    except InputError:
        return parse_quantity(text, "degC", where, default="degF")  # with a unit of its own, or no number
    value = degc(number)
    if near is not None and abs(number - near) < 30 < abs(value - near):
        raise InputError(
            where,
            f"{plain(number)} °F",
            f"about {plain(round(degf(near)))} °F",
            f"If it is Celsius, write {plain(number)}C (that is {plain(round(degf(number), 1))} °F).",
        )
    if value >= 200:
        raise InputError(where, f"{plain(number)} °F", "below 392 °F", "Correct the number.")
    return value
