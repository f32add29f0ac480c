"""One gauge reading, set right: what the surface really was, as far as the entries tell."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from doe.assure.gauges.radiation import correct_infrared
from doe.domain.errors import InputError
from doe.domain.gauge import GaugeReading, MachineKind

USUAL_SURROUNDINGS_DEGC = 25.0


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
        assumed_surroundings_degc=USUAL_SURROUNDINGS_DEGC,
    )
    return TrueReading(
        found.true_degc, found.correction_delta_degc, found.u_delta_degc, reading.surface_emissivity is None
    )


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
