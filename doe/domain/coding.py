"""Coding: natural settings to -1..+1 and back, and rounding to what a machine can be given."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from doe.domain.factors import Factor
from doe.domain.units import rounded

FloatArray = NDArray[np.float64]


def code(factor: Factor, values: ArrayLike) -> FloatArray:
    """Coded values: -1 at ``low``, +1 at ``high``, straight on the factor's own scale.

    On a log scale the coded 0 is the geometric mean of the range. Numeric factors only.
    """
    x = np.asarray(values, dtype=float)
    if factor.scale == "log":
        low, high = math.log(factor.low), math.log(factor.high)
        x = np.asarray(np.log(x))
    else:
        low, high = factor.low, factor.high
    return np.asarray((2 * x - low - high) / (high - low))


def decode(factor: Factor, coded: ArrayLike) -> FloatArray:
    """Natural values of coded ones; the reverse of `code`, not rounded."""
    z = np.asarray(coded, dtype=float)
    if factor.scale == "log":
        low, high = math.log(factor.low), math.log(factor.high)
        values: FloatArray = np.exp((low + high) / 2 + z * (high - low) / 2)
        return values
    return (factor.low + factor.high) / 2 + z * (factor.high - factor.low) / 2


def round_settings(factor: Factor, values: ArrayLike) -> FloatArray:
    """Nearest values the machine can be given, kept inside the range."""
    x = np.asarray(values, dtype=float)
    if not factor.step:
        return np.asarray(np.clip(x, factor.low, factor.high))
    first = math.ceil(round(factor.low / factor.step, 9))
    last = math.floor(round(factor.high / factor.step, 9))
    if first > last:  # a step wider than the range leaves nothing to round to
        return np.asarray(np.clip(x, factor.low, factor.high))
    ticks = np.clip(np.round(x / factor.step), first, last)
    return np.asarray(np.round(ticks * factor.step, 10))


def round_inward(factor: Factor, low: float, high: float) -> tuple[float, float] | None:
    """Ends of a window moved inward to settings the machine can be given; None if nothing is left."""
    if not factor.step:
        return low, high
    first, last = inward(low, high, factor.step)
    return None if first > last else (first, last)


def to_step(value: float, step: float) -> float:
    """The nearest whole step of a machine."""
    return round(rounded(value / step) * step, 10)


def inward(low: float, high: float, step: float) -> tuple[float, float]:
    """Ends moved inward to whole steps of a machine; the first lies above the last where no step is between them."""
    first, last = math.ceil(round(low / step, 9)) * step, math.floor(round(high / step, 9)) * step
    return round(first, 10), round(last, 10)


def code_frame(factors: Sequence[Factor], frame: pd.DataFrame) -> FloatArray:
    """Coded numeric columns of a frame, shape (rows, numeric factors), in the order of the factors."""
    columns = [code(f, frame[f.name].to_numpy(dtype=float)) for f in factors if not f.is_categorical]
    return np.column_stack(columns) if columns else np.empty((len(frame), 0))


def decode_frame(factors: Sequence[Factor], coded: FloatArray, *, rounded: bool = True) -> pd.DataFrame:
    """Frame of natural settings from coded ones, shape (rows, numeric factors)."""
    numeric = [f for f in factors if not f.is_categorical]
    return pd.DataFrame(
        {
            f.name: round_settings(f, decode(f, coded[:, j])) if rounded else decode(f, coded[:, j])
            for j, f in enumerate(numeric)
        }
    )
