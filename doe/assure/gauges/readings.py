"""One gauge reading, set right: what the surface really was, as far as the entries tell.

An infrared gauge shows something else of a surface that is not as black as the gauge believes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from doe.domain.errors import InputError, plain
from doe.domain.gauge import GaugeReading, MachineKind
from doe.domain.units import show_difference

FloatArray = NDArray[np.float64]

USUAL_SURROUNDINGS_DEGC = 25.0

SECOND_RADIATION_UM_K = 14387.768775
"""Second radiation constant h c / k in micrometre kelvin (exact constants of the SI, 2019)."""

LEAST_EMISSIVITY = 0.6
"""Below this a surface is metal or nearly so, and its emissivity is not known well enough (common practice, no
source)."""

MOST_CORRECTION_DELTA_DEGC = 15.0
"""A larger correction says more about the guessed emissivity than about the surface (common practice, no source)."""

_KELVIN = 273.15
_BAND_UM = (8.0, 14.0)
_EMISSIVITY_HALF_WIDTH, _SURROUNDINGS_HALF_WIDTH_DELTA_DEGC = 0.02, 5.0  # how far the two guesses may be off
_LOWEST_DEGC, _HIGHEST_DEGC = -100.0, 500.0  # no surface here lies outside
_REMEDY = (
    "Put a patch of matt tape or flat black paint on the surface, wait until it is at temperature and read that, "
    "or use a contact probe."
)


@dataclass(frozen=True)
class TrueReading:
    """Surface temperature behind a reading.

    ``u_delta_degc`` is the standard uncertainty that the correction brings (it is common to all readings of one
    surface, so it does not average out); ``assumed`` says whether the surface was taken to have the emissivity that
    the gauge was set to, which is true for matt tape or paint and not for metal.
    """

    degc: float
    correction_delta_degc: float = 0.0
    u_delta_degc: float = 0.0
    assumed: bool = False


def true_reading(reading: GaugeReading) -> TrueReading:
    """Set one reading right for emissivity; a contact reading stays as it is.

    Raises
    ------
    InputError
        If an infrared reading cannot be trusted (bare metal, or a correction too large).
    """
    if reading.emissivity is None:
        return TrueReading(reading.measured_degc)
    surface = reading.emissivity if reading.surface_emissivity is None else reading.surface_emissivity
    surroundings = USUAL_SURROUNDINGS_DEGC if reading.surroundings_degc is None else reading.surroundings_degc
    found = correct_infrared(
        reading.measured_degc,
        emissivity_set=reading.emissivity,
        surface_emissivity=surface,
        surroundings_degc=surroundings,
    )
    return replace(found, assumed=reading.surface_emissivity is None)


def readings_of(readings: Iterable[GaugeReading], machine: MachineKind) -> tuple[GaugeReading, ...]:
    """The readings of one machine.

    Raises
    ------
    InputError
        If there is none.
    """
    found = tuple(r for r in readings if r.machine == machine)
    if not found:
        raise InputError(
            f"gauge of the {machine}",
            "no reading",
            "at least one reading",
            "Measure the surface against the display first.",
        )
    return found


def radiance(degc: float) -> float:
    """Radiance of a black surface over the band of the usual infrared gauge, by Planck's law, on a scale of its own."""
    wavelength, weight = _band()
    return float(weight @ (wavelength**-5 / np.expm1(SECOND_RADIATION_UM_K / (wavelength * (degc + _KELVIN)))))


def correct_infrared(
    shown_degc: float,
    *,
    emissivity_set: float,
    surface_emissivity: float,
    surroundings_degc: float = USUAL_SURROUNDINGS_DEGC,
) -> TrueReading:
    """Temperature of the surface behind an infrared reading.

    Parameters
    ----------
    shown_degc : float
        The reading of a gauge that takes the surroundings for the usual ones.
    emissivity_set, surface_emissivity : float
        Above 0 to 1.
    surroundings_degc : float
        What the surface really faces.

    Raises
    ------
    InputError
        If the surface is too bright to be read, or the correction is too large to be trusted.

    References
    ----------
    Radiation balance and Planck's law: textbook. Limits of trust: common practice, no source.

    Examples
    --------
    >>> round(correct_infrared(149.4, emissivity_set=0.95, surface_emissivity=0.85).degc, 1)
    160.0
    """
    if surface_emissivity < LEAST_EMISSIVITY:
        raise InputError("surface emissivity", plain(surface_emissivity), f"{plain(LEAST_EMISSIVITY)} or more", _REMEDY)
    seen = emissivity_set * radiance(shown_degc) + (1 - emissivity_set) * radiance(USUAL_SURROUNDINGS_DEGC)

    def true_of(emissivity: float, surroundings: float) -> float:
        return _temperature((seen - (1 - emissivity) * radiance(surroundings)) / emissivity)

    true = true_of(surface_emissivity, surroundings_degc)
    correction = true - shown_degc
    if abs(correction) > MOST_CORRECTION_DELTA_DEGC:
        raise InputError(
            "infrared reading, correction",
            show_difference(correction, decimals=0),
            f"at most {show_difference(MOST_CORRECTION_DELTA_DEGC, decimals=0)} either way",
            _REMEDY,
        )
    step = 1e-3
    by_emissivity = (true_of(surface_emissivity - step, surroundings_degc) - true) / step
    by_surroundings = (true_of(surface_emissivity, surroundings_degc + step) - true) / step
    u_emissivity = abs(by_emissivity) * _EMISSIVITY_HALF_WIDTH / math.sqrt(3)
    u_surroundings = abs(by_surroundings) * _SURROUNDINGS_HALF_WIDTH_DELTA_DEGC / math.sqrt(3)
    return TrueReading(true, correction, math.hypot(u_emissivity, u_surroundings))


@lru_cache(maxsize=1)
def _band() -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre nodes and weights over the band; Planck's curve is smooth there."""
    nodes, weights = np.polynomial.legendre.leggauss(24)
    low, high = _BAND_UM
    return (low + high) / 2 + nodes * (high - low) / 2, weights * (high - low) / 2


def _temperature(level: float) -> float:
    """Temperature of a black surface of that radiance.

    Raises
    ------
    InputError
        If no surface here has that radiance.
    """
    if not radiance(_LOWEST_DEGC) <= level <= radiance(_HIGHEST_DEGC):
        raise InputError(
            "infrared reading",
            "a value no surface here can give",
            "-100 to 500 degC",
            "Check the reading, the emissivities and the surroundings.",
        )
    return brentq(lambda t: radiance(t) - level, _LOWEST_DEGC, _HIGHEST_DEGC, xtol=1e-9)
