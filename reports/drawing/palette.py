"""Colours, marks and round numbers common to every figure: one mark and one colour for one thing."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from doe.domain.factors import Factor
from doe.domain.units import SYMBOLS, Shown
from doe.words.wording import SIDE_WORDS, amount

Floats = NDArray[np.float64]

INK, SOFT, RULE, PAPER = "#1b211f", "#4a504c", "#cfc8b8", "#ffffff"
ACCENT, UNDER, OVER, OTHER = "#0b4f66", "#1f5fa8", "#a8420f", "#4a504c"
FONTS = "Avenir Next, Segoe UI, Helvetica Neue, Helvetica, Arial, Liberation Sans, sans-serif"

# Told apart by shape first; colour only helps. (marker, face, words)
MARKS: dict[str, tuple[str, str, str]] = {
    "pass": ("o", PAPER, "passed"),
    "under": ("v", UNDER, f"failed: {SIDE_WORDS['under']}"),
    "over": ("^", OVER, f"failed: {SIDE_WORDS['over']}"),
    "other": ("s", OTHER, f"failed: {SIDE_WORDS['other']}"),
    "unknown": ("X", INK, f"failed: {SIDE_WORDS['unknown']}"),
}


def round_numbers(low: float, high: float, most: int = 5) -> Floats:
    """Multiples of 1, 2, 2.5 or 5 and a power of ten inside a range, about ``most`` of them.

    >>> round_numbers(112, 141).tolist()
    [115.0, 120.0, 125.0, 130.0, 135.0, 140.0]
    """
    step = (high - low) / most
    power = 10.0 ** math.floor(math.log10(step))
    size = min((n * power for n in (1, 2, 2.5, 5, 10)), key=lambda n: abs(math.log(n / step)))
    first, last = math.ceil(low / size - 1e-9), math.floor(high / size + 1e-9)
    return np.asarray(np.arange(first, last + 1) * size, dtype=float)


def ticks_of(factor: Factor, low: float, high: float, *, most: int = 5) -> Floats:
    """Round settings inside a range, in the stored unit; spread by ratio on a log scale."""
    if factor.scale != "log":
        return round_numbers(low, high, most)
    spread = np.geomspace(low, high, most)
    # two leading digits are what a person dials
    place = 10.0 ** (np.floor(np.log10(spread)) - 1)
    steps = np.maximum(place * 5 * (spread / place >= 50) + place * (spread / place < 50), factor.step or 0)
    rounded = np.unique(np.round(np.round(spread / steps) * steps, 6))
    return rounded[(rounded >= low - 1e-9) & (rounded <= high + 1e-9)]


def bare(factor: Factor, value: float, shown: Shown) -> str:
    """A setting without its unit, as it stands on an axis."""
    return amount(factor, value, shown).removesuffix(SYMBOLS[shown.unit(factor.unit)]).strip()
