"""Infrared readings: what a gauge shows of a surface that is not as black as the gauge believes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from scipy.optimize import brentq

from doe.domain.errors import InputError, plain
from doe.domain.units import show_difference

Detector = Literal["8-14 um", "all"]

SECOND_RADIATION_UM_K = 14387.768775
"""Second radiation constant h c / k in micrometre kelvin (exact constants of the SI, 2019)."""

LEAST_EMISSIVITY = 0.6
"""Below this a surface is metal or nearly so, and its emissivity is not known well enough (common practice, no
source)."""

MOST_CORRECTION_DELTA_DEGC = 15.0
"""A larger correction says more about the guessed emissivity than about the surface (common practice, no source)."""

_KELVIN = 273.15
_BAND_UM = (8.0, 14.0)
_REMEDY = (
    "Put a patch of matt tape or flat black paint on the surface, wait until it is at temperature and read that, "
    "or use a contact probe."
)


@dataclass(frozen=True)
class InfraredReading:
    """An infrared reading set right.

    Attributes
    ----------
    true_degc : float
        Temperature of the surface.
    correction_delta_degc : float
        What was added to the reading.
    u_emissivity_delta_degc, u_surroundings_delta_degc : float
        Standard uncertainty that the two guesses put into it (degC of difference).
    u_delta_degc : float
        Both together; the gauge's own uncertainty is not in it.
    """

    true_degc: float
    correction_delta_degc: float
    u_emissivity_delta_degc: float
    u_surroundings_delta_degc: float
    u_delta_degc: float


def radiance(degc: float, detector: Detector = "8-14 um") -> float:
    """Radiance of a black surface as the detector sees it, on a scale of its own.

    ``8-14 um``: Planck's law over the band of the usual infrared gauge; ``all``: all wavelengths, kelvin to the fourth.

    Raises
    ------
    InputError
        If the temperature lies outside -100 to 500 degC, which no surface here has.
    """
    if not -100 <= degc <= 500:
        raise InputError("temperature", degc, "-100 to 500 degC", "Correct the temperature.")
    kelvin = degc + _KELVIN
    if detector == "all":
        return kelvin**4 * 1e-10
    wavelength, weight = _band()
    return float(weight @ (wavelength**-5 / np.expm1(SECOND_RADIATION_UM_K / (wavelength * kelvin))))


def correct_infrared(
    shown_degc: float,
    *,
    emissivity_set: float,
    surface_emissivity: float,
    surroundings_degc: float = 25.0,
    assumed_surroundings_degc: float | None = None,
    emissivity_half_width: float = 0.02,
    surroundings_half_width_delta_degc: float = 5.0,
    detector: Detector = "8-14 um",
) -> InfraredReading:
    """Temperature of the surface behind an infrared reading.

    Parameters
    ----------
    shown_degc : float
        The reading.
    emissivity_set, surface_emissivity, surroundings_degc, assumed_surroundings_degc, detector
        What the gauge takes the surroundings for; by default it knows them.
    emissivity_half_width, surroundings_half_width_delta_degc : float
        How far the two guesses may be off; taken as rectangular.

    Returns
    -------
    InfraredReading

    Raises
    ------
    InputError
        If a number cannot be one, the surface is too bright to be read, or the correction is too large to be trusted.

    References
    ----------
    Radiation balance and Planck's law: textbook. Limits of trust: common practice, no source.

    Examples
    --------
    >>> round(correct_infrared(149.4, emissivity_set=0.95, surface_emissivity=0.85).true_degc, 1)
    160.0
    """
    _check_emissivity("emissivity set on the gauge", emissivity_set)
    _check_emissivity("surface emissivity", surface_emissivity)
    for where, value in (
        ("emissivity, half-width", emissivity_half_width),
        ("surroundings, half-width", surroundings_half_width_delta_degc),
    ):
        if not value >= 0:
            raise InputError(where, value, "0 or more", "Say how far the guess may be off.")
    if surface_emissivity < LEAST_EMISSIVITY:
        raise InputError("surface emissivity", plain(surface_emissivity), f"{plain(LEAST_EMISSIVITY)} or more", _REMEDY)
    assumed = surroundings_degc if assumed_surroundings_degc is None else assumed_surroundings_degc

    def true_of(emissivity: float, surroundings: float) -> float:
        seen = emissivity_set * radiance(shown_degc, detector) + (1 - emissivity_set) * radiance(assumed, detector)
        own = (seen - (1 - emissivity) * radiance(surroundings, detector)) / emissivity
        return _temperature(own, detector)

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
    u_emissivity = abs(by_emissivity) * emissivity_half_width / math.sqrt(3)
    u_surroundings = abs(by_surroundings) * surroundings_half_width_delta_degc / math.sqrt(3)
    return InfraredReading(true, correction, u_emissivity, u_surroundings, math.hypot(u_emissivity, u_surroundings))


@lru_cache(maxsize=1)
def _band() -> tuple[np.ndarray[tuple[int], np.dtype[np.float64]], np.ndarray[tuple[int], np.dtype[np.float64]]]:
    """Gauss-Legendre nodes and weights over the band; Planck's curve is smooth there."""
    nodes, weights = np.polynomial.legendre.leggauss(24)
    low, high = _BAND_UM
    return (low + high) / 2 + nodes * (high - low) / 2, weights * (high - low) / 2


def _temperature(level: float, detector: Detector) -> float:
    """Temperature of a black surface of that radiance.

    Raises
    ------
    InputError
        If no surface here has that radiance.
    """
    low, high = -100.0, 500.0
    if not radiance(low, detector) <= level <= radiance(high, detector):
        raise InputError(
            "infrared reading",
            "a value no surface here can give",
            "-100 to 500 degC",
            "Check the reading, the emissivities and the surroundings.",
        )
    return float(brentq(lambda t: radiance(t, detector) - level, low, high, xtol=1e-9))


def _check_emissivity(where: str, value: float) -> None:
    """Refuse an emissivity that no surface has.

    Raises
    ------
    InputError
        If it is not above 0 and at most 1.
    """
    if not 0 < value <= 1:
        raise InputError(where, value, "above 0 to 1", "Take it from the gauge's table; matt tape is about 0.95.")
