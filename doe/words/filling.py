"""Texts of a table filled with values, each as a person reads it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from string import Formatter
from typing import Any

from doe.domain.units import SYMBOLS, Shown, show, show_both, show_difference
from doe.words.wording import at_least_of_hundred, count, out_of_hundred, verb


def filled(text: str, values: Mapping[str, Any], shown: Shown, label: Callable[[str], str]) -> str:
    """A text with the names in braces replaced; what stands behind a colon says how a value is read.

    ``{n:count coupon}`` is a number with its noun (``count box/boxes``), ``{n:verb lies/lie}`` the form that goes with
    it; ``{p:of 100}`` a share of prints, ``{p:least of 100}`` its lower bound; ``{f:factor}`` a factor's name;
    ``{t:both}`` a temperature in both units and ``{t:show degC}`` any quantity in the reader's; ``{d:apart}`` a
    difference, ``{d:apart 0}`` a whole one, ``{d:size}`` one without its sign, ``{d:degrees}`` that in the reader's
    unit alone; ``{d:sign below/above}`` and ``{x:either yes/no}`` choose words; ``{names:commas}`` is a list. Anything
    else is a format of Python's own.

    >>> filled("{n:count coupon}, {d:size} {d:sign below/above}", {"n": 1, "d": -4.0}, Shown(), str)
    '1 coupon, 4.0 °C (7.2 °F) below'
    """
    return _Filler(shown, label).vformat(text, (), values)


class _Filler(Formatter):
    def __init__(self, shown: Shown, label: Callable[[str], str]) -> None:
        self.shown = shown
        self.label = label

    def format_field(self, value: Any, format_spec: str) -> str:
        how, _, more = format_spec.partition(" ")
        reading = _READINGS.get(how)
        return str(super().format_field(value, format_spec)) if reading is None else reading(self, value, more)


_READINGS: Mapping[str, Callable[[_Filler, Any, str], str]] = {
    "count": lambda _, number, nouns: count(round(number), *nouns.split("/")),
    "verb": lambda _, number, forms: verb(number, *forms.split("/")),
    "of": lambda _, share, hundred: f"{out_of_hundred(share)} of {hundred}",
    "least": lambda _, share, hundred: f"{at_least_of_hundred(share)} {hundred}",
    "factor": lambda filler, name, _: filler.label(name),
    "both": lambda filler, degc, _: show_both(degc, "degC", filler.shown),
    "show": lambda filler, value, unit: show(value, unit, filler.shown),
    "apart": lambda filler, delta, decimals: show_difference(delta, filler.shown, decimals=int(decimals or 1)),
    "size": lambda filler, delta, decimals: show_difference(abs(delta), filler.shown, decimals=int(decimals or 1)),
    "degrees": lambda filler, delta, _: (
        f"{abs(filler.shown.delta(delta, 'degC')):.0f} {SYMBOLS[filler.shown.temperature]}"
    ),
    "sign": lambda _, number, words: words.split("/")[number >= 0],
    "either": lambda _, value, words: words.split("/")[not value],
    "commas": lambda _, parts, __: ", ".join(parts),
}
