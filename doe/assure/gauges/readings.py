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
    surface, so it does not average out); ``note`` says what was assumed, empty when nothing was.
    """

    degc: float
    correction_delta_degc: float = 0.0
    u_delta_degc: float = 0.0
    note: str = ""


def true_reading(reading: GaugeReading) -> TrueReading:
    """Set one reading right for emissivity; a contact reading stays as it is.

    Raises
    ------
    InputError
        If an infrared reading cannot be trusted (bare metal, or a correction too large).
    """
    if reading.emissivity is None:
        return TrueReading(reading.measured_degc)
    surface = reading.surface_emissivity
    note = ""
    if surface is None:
        surface = reading.emissivity
        note = (
            "The surface was taken to have the emissivity set on the gauge: true for matt tape or paint, not for metal."
        )
    surroundings = USUAL_SURROUNDINGS_DEGC if reading.surroundings_degc is None else reading.surroundings_degc
    found = correct_infrared(
        reading.measured_degc,
        emissivity_set=reading.emissivity,
        surface_emissivity=surface,
        surroundings_degc=surroundings,
        assumed_surroundings_degc=USUAL_SURROUNDINGS_DEGC,
    )
    return TrueReading(found.true_degc, found.correction_delta_degc, found.u_delta_degc, note)


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
