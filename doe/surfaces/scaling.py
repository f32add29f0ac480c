"""The scale on which the pass surface is smooth: coded -1/T for temperatures, coded log for times.

Melting, flow and damage follow Arrhenius-like rates, so a temperature acts through -1/T (kelvin) and a time
through its logarithm; on these scales a fixed dose is a straight line, which is what a quadratic can follow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.coding import FloatArray, code, decode
from doe.domain.factors import EVERY_LEVEL, KNOWN_FACTORS, Factor
from doe.domain.units import ABSOLUTE_ZERO_DEGC


def _inverse_kelvin(degc: FloatArray | float) -> FloatArray:
    return np.asarray(-1.0 / (np.asarray(degc, dtype=float) - ABSOLUTE_ZERO_DEGC))


@dataclass(frozen=True)
class Scaling:
    """Settings to model coordinates ``z`` and back; -1 and +1 are the ends of each tested range.

    Fixed by the factors, never by the data, so predictions use the very coding of the fit.
    """

    factors: tuple[Factor, ...]

    @property
    def numeric(self) -> tuple[Factor, ...]:
        """The factors with a range, in order; the axes of ``z``."""
        return tuple(f for f in self.factors if not f.is_categorical)

    @property
    def rank(self) -> NDArray[np.intp]:
        """Place of each numeric factor among their names in order, shape (numeric factors,).

        What is random a factor is taken in this order, so that no answer depends on the order they were typed in.
        """
        return np.argsort(np.argsort([f.name for f in self.numeric]))

    def z(self, frame: pd.DataFrame) -> FloatArray:
        """Model coordinates of settings, shape (rows, numeric factors)."""
        columns = [self.z_of(f, frame[f.name].to_numpy(dtype=float)) for f in self.numeric]
        return np.column_stack(columns) if columns else np.empty((len(frame), 0))

    def z_of(self, factor: Factor, values: FloatArray) -> FloatArray:
        """Model coordinate of one numeric factor, same shape as ``values``."""
        if not factor.is_temperature:
            return code(factor, values)
        low, high = _inverse_kelvin(factor.low), _inverse_kelvin(factor.high)
        return np.asarray((2 * _inverse_kelvin(values) - low - high) / (high - low))

    def half_range(self, factor: Factor) -> float:
        """Half of a numeric factor's tested range, on the scale that ``z`` is straight in."""
        if factor.is_temperature:
            return float(_inverse_kelvin(factor.high) - _inverse_kelvin(factor.low)) / 2
        if factor.scale == "log":
            return float(np.log(factor.high / factor.low)) / 2
        return (factor.high - factor.low) / 2

    def natural(self, z: FloatArray) -> FloatArray:
        """Settings of model coordinates, not rounded, same shape (rows, numeric factors)."""
        columns = []
        for j, f in enumerate(self.numeric):
            if f.is_temperature:
                low, high = _inverse_kelvin(f.low), _inverse_kelvin(f.high)
                columns.append(-1.0 / ((low + high + z[:, j] * (high - low)) / 2) + ABSOLUTE_ZERO_DEGC)
            else:
                columns.append(decode(f, z[:, j]))
        return np.column_stack(columns)

    def combination(self, frame: pd.DataFrame) -> NDArray[np.intp]:
        """Index of the combination of categorical levels of each row, 0 when there are none, shape (rows,)."""
        index = np.zeros(len(frame), dtype=np.intp)
        for f in self.factors:
            if f.is_categorical:
                named = frame[f.name].astype(str)
                if f.endured:  # every level stands for the first: robust rates look at each of them
                    named = named.where(named != EVERY_LEVEL, f.levels[0])
                index = index * len(f.levels) + pd.Categorical(named, categories=list(f.levels)).codes
        return index

    def combinations(self) -> list[dict[str, str]]:
        """Levels of each combination, in the order of `combination`; one empty dictionary when there are none."""
        rows: list[dict[str, str]] = [{}]
        for f in self.factors:
            if f.is_categorical:
                rows = [{**row, f.name: level} for row in rows for level in f.levels]
        return rows


def quadratic_features(z: FloatArray) -> FloatArray:
    """Full quadratic basis 1, z_j, z_i z_j (i <= j), shape (rows, 1 + k + k(k + 1)/2)."""
    i, j = np.triu_indices(z.shape[1])
    return np.concatenate([np.ones((len(z), 1)), z, z[:, i] * z[:, j]], axis=1)


def quadratic_coefficients(top: FloatArray, peak: FloatArray, curve: FloatArray) -> FloatArray:
    """Coefficients of ``top - (z - peak)' curve (z - peak)`` on `quadratic_features`.

    Parameters
    ----------
    top : array, shape (draws,)
    peak : array, shape (draws, k)
    curve : array, shape (draws, k, k), symmetric

    Returns
    -------
    array, shape (draws, 1 + k + k(k + 1)/2)
    """
    pull = np.einsum("dij,dj->di", curve, peak)
    i, j = np.triu_indices(peak.shape[1])
    doubled = np.where(i == j, 1.0, 2.0)
    constant = top - np.einsum("di,di->d", pull, peak)
    return np.concatenate([constant[:, None], 2 * pull, -doubled * curve[:, i, j]], axis=1)


def is_same_dose(first: Factor, second: Factor) -> bool:
    """Whether two factors are the temperature and the time (or belt speed) of one step: one stands in for the other."""
    return first.stage == second.stage and {first.unit, second.unit} in ({"degC", "s"}, {"degC", "m/min"})


def heats(factors: Sequence[Factor]) -> NDArray[np.intp]:
    """What more of each numeric factor does to the heat, shape (factors,).

    1 where it adds heat (temperatures, times at cure or press), -1 where it takes heat away (the speed of a belt, the
    gap under a raised press), 0 where it is neither.
    """
    return np.array([_heat(f) for f in factors], dtype=np.intp)


def _heat(factor: Factor) -> int:
    if factor.name in KNOWN_FACTORS and KNOWN_FACTORS[factor.name].cools:
        return -1
    return int(factor.is_temperature or factor.name in ("cure_time", "dwell"))
