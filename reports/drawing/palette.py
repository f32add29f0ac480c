"""Colours, marks and round numbers common to every figure: one mark and one colour for one thing.

Colours are the tokens of `paper.css`, so that a figure follows its page from light to dark and onto paper.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from doe.domain.factors import Factor
from doe.domain.units import SYMBOLS, Shown
from doe.words.wording import amount

Floats = NDArray[np.float64]

INK, SOFT, RULE, PAPER, WASH = "var(--ink)", "var(--ink-soft)", "var(--rule)", "var(--sheet)", "var(--wash)"
ACCENT, UNDER, OVER, OTHER = "var(--accent)", "var(--under)", "var(--over)", "var(--ink-soft)"
HATCH = "var(--hatch)"
# Darker the fewer pass; blue where too little heat is the likelier failure, brown where too much.
# Near the target both are the same grey: which side is likelier hardly matters there.
UNDER_BANDS = (*(f"var(--under-{n})" for n in range(1, 5)), "var(--band-5)", PAPER)
OVER_BANDS = (*(f"var(--over-{n})" for n in range(1, 5)), "var(--band-5)", PAPER)
HAND_BANDS = (*(f"var(--band-{n})" for n in range(1, 6)), PAPER)


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
