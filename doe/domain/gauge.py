"""Gauge readings: what a machine showed, and what a gauge measured on its surface."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Literal, get_args

from doe.domain.errors import InputError, check_line, check_note
from doe.domain.factors import LABEL_LENGTH, LEFT_OUT_WHEN_NONE
from doe.domain.units import check_celsius, show_both

MachineKind = Literal["oven", "press"]
MACHINE_KINDS: tuple[MachineKind, ...] = get_args(MachineKind)

USUAL_INTERVAL_DAYS = 120
"""Drift of 10 to 15 degC a year is quoted (trade pages, secondary); in 120 days that is about 5 degC."""
USUAL_GAUGE_U_DEGC = 2.2
"""Expanded uncertainty (k = 2): a common statement on the data sheet of a contact probe (from memory)."""


@dataclass(frozen=True)
class GaugeReading:
    """One reading of a gauge on a machine, after it has settled.

    Parameters
    ----------
    machine : {"oven", "press"}
    set_degc : float
        What the machine was set to, in degC.
    shown_degc : float or None
        What its display showed, in degC; None when it shows only the set value.
    measured_degc : float
        What the gauge read, in degC.
    place : str
        Where, such as ``centre`` or ``back left`` of the platen.
    tool : str
        Which gauge: strip, probe, infrared ...
    taken_at : datetime or None
        When, with a time zone; the book fills in the time of storing.
    note : str
    emissivity : float or None
        Setting of an infrared gauge, above 0 to 1; None for a contact gauge.
    surface_emissivity : float or None
        Emissivity of what an infrared gauge looked at (matt tape, paper, cloth ...), above 0 to 1.
    surroundings_degc : float or None
        What the surface reflects: the room, or a hot machine facing it, in degC.
    repeat : int or None
        Which pass over the places it belongs to, from 1; two readings of one place alike in everything are two.
    platen : str or None
        Which platen of a press that has several, as it is called; each has places, and a map, of its own.

    Raises
    ------
    InputError
        If the machine is unknown, a temperature cannot be one, or the emissivity is out of range.
    """

    machine: MachineKind
    set_degc: float
    shown_degc: float | None
    measured_degc: float
    place: str = "centre"
    tool: str = ""
    taken_at: datetime | None = None
    note: str = ""
    emissivity: float | None = None
    surface_emissivity: float | None = None
    surroundings_degc: float | None = None
    repeat: int | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    platen: str | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})

    def __post_init__(self) -> None:
        if self.machine not in MACHINE_KINDS:
            raise InputError("gauge reading, machine", self.machine, "oven or press", "Say which machine it was.")
        for label, value in (
            ("set", self.set_degc),
            ("shown", self.shown_degc),
            ("measured", self.measured_degc),
            ("surroundings", self.surroundings_degc),
        ):
            if value is None:
                continue
            where = f"gauge reading, {label}"
            if math.isfinite(value):
                check_celsius(value, where)
            if not -50 <= value < 200:
                raise InputError(
                    where,
                    value,
                    f"{show_both(-50, 'degC')} to below {show_both(200, 'degC')}",
                    "Correct it; if a gauge really read that much, stop the machine and air the room.",
                )
        for label, share, remedy in (
            ("emissivity", self.emissivity, "Read it off the gauge."),
            ("surface emissivity", self.surface_emissivity, "Take it from a table; matt tape is about 0.95."),
        ):
            if share is not None and not 0 < share <= 1:
                raise InputError(f"gauge reading, {label}", share, "above 0 to 1", remedy)
        if self.repeat is not None and not 1 <= self.repeat <= 1000:
            raise InputError("gauge reading, repeat", self.repeat, "1 to 1000", "Count the passes from 1.")
        check_line(self.place, "gauge reading, place")
        if self.platen is not None:
            check_line(self.platen, "gauge reading, platen", longest=LABEL_LENGTH)
            if self.machine != "press" or not self.platen.strip():
                found = repr(self.platen) if self.machine == "press" else f"{self.platen!r} of an oven"
                raise InputError("gauge reading, platen", found, "a name, of a press with several", "Leave it out.")
        check_line(self.tool, "gauge reading, tool")
        check_note(self.note, "gauge reading, note")
        if self.taken_at is not None and self.taken_at.tzinfo is None:
            raise InputError(
                "gauge reading, taken at", self.taken_at, "a time with its zone", "Add the zone, such as +00:00."
            )

    @property
    def spot(self) -> str:
        """Its place, with the platen where that is named."""
        return self.place if self.platen is None else f"platen {self.platen}, {self.place}"


def platens_of(readings: Iterable[GaugeReading]) -> tuple[str, ...]:
    """The platens that readings name, each once, as they were called last."""
    named = {r.platen.strip().casefold(): r.platen.strip() for r in readings if r.platen is not None}
    return tuple(named[squeezed] for squeezed in sorted(named))


@dataclass(frozen=True)
class Certificate:
    """The certificate of a gauge: its number, by whom, and the last day it is valid."""

    number: str
    issuer: str
    valid_until: date

    def __post_init__(self) -> None:
        for what in ("number", "issuer"):
            check_line(getattr(self, what), f"certificate, {what}", longest=LABEL_LENGTH)
            if not getattr(self, what).strip():
                raise InputError(f"certificate, {what}", "nothing", "as it stands on the certificate", "Fill it in.")


@dataclass(frozen=True)
class Gauge:
    """A gauge by itself: the ``lines`` that are measured with it, and its certificates, the last one last.

    ``u_degc`` is its expanded uncertainty (k = 2), from its data sheet. The ``name`` is empty where nobody gave it one:
    then it is that of its one line.
    """

    name: str
    lines: tuple[str, ...] = ()
    u_degc: float | None = None
    certificates: tuple[Certificate, ...] = ()

    @property
    def certificate(self) -> Certificate | None:
        """The last one."""
        return self.certificates[-1] if self.certificates else None


def in_force(readings: Sequence[GaugeReading]) -> tuple[GaugeReading, ...]:
    """Readings of a machine that count for its correction: the newest, and those of the usual interval before it."""
    days = [r.taken_at.date() for r in readings if r.taken_at is not None]
    if not days:
        return tuple(readings)
    first = max(days) - timedelta(days=USUAL_INTERVAL_DAYS)
    return tuple(r for r in readings if r.taken_at is None or r.taken_at.date() >= first)
