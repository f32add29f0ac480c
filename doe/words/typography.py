"""Fine print: numbers that keep their unit on the line, and minus signs that are minus signs."""

from __future__ import annotations

import re

from markupsafe import Markup

NO_BREAK = "\u00a0"
_UNITS = r"°[CF]|s|min|h|bar|psi|kPa|g/m²|mm|µm|%"
_BEFORE_UNIT = re.compile(rf"(?<=\d) (?=(?:{_UNITS})(?![\w/]))")
_MINUS = re.compile(r"(?:(?<=^)|(?<=[\s(\[\u2013]))-(?=\.?\d)")


def fine(text: str) -> str:
    """Text as it is printed: a number is not parted from its unit, and a negative number gets a true minus sign.

    >>> fine("-0.6 at 152 °C (306 °F), R1-04")
    '−0.6 at 152\\xa0°C (306\\xa0°F), R1-04'
    """
    return _MINUS.sub("\u2212", _BEFORE_UNIT.sub(NO_BREAK, text))


def printed(value: object) -> object:
    """What a template puts on a page: plain text made `fine`, finished markup and everything else as it is."""
    return fine(value) if isinstance(value, str) and not isinstance(value, Markup) else value
