"""A line as its gauge readings show it: what to dial in for a surface temperature, and how far to trust that."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from statistics import fmean

from doe.assure.gauges.dates import GaugeDrift, GaugeStatus, judge_gauge, measure_drift
from doe.assure.gauges.display import Converted, DisplayLine, fit_display
from doe.assure.gauges.platen import at_one_setting, reading_spot, spot_of
from doe.assure.gauges.readings import true_reading
from doe.assure.gauges.setting_error import (
    MACHINE_OF_FACTOR,
    USUAL_PROBE,
    Budget,
    Component,
    SettingError,
    machine_budget,
    measure_setting_error,
)
from doe.domain.coding import inward
from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.domain.gauge import GaugeReading, MachineKind, in_force
from doe.domain.stack import Line

KINDS: tuple[MachineKind, ...] = ("oven", "press")

SAFE_REACH_DELTA_DEGC = 5.0
"""How far beyond the range that was read a correction is used without a word (our guess, no source)."""


@dataclass(frozen=True)
class MachineSetting:
    """A temperature on a machine: what its dial is set to, and what the surface then has.

    Attributes
    ----------
    machine : {"oven", "press"}
    surface_degc, dial_degc : float
        Equal where the display was never checked.
    u_delta_degc : float or None
        Standard uncertainty of the value that was asked for, the gauge's own included; None where the display was
        never checked.
    low_degc, high_degc : float or None
        95 % limits of that value.
    is_checked : bool
        Whether readings stand behind it.
    is_beyond : bool
        Whether it lies clearly outside the range that was read.
    """

    machine: MachineKind
    surface_degc: float
    dial_degc: float
    u_delta_degc: float | None = None
    low_degc: float | None = None
    high_degc: float | None = None
    is_checked: bool = False
    is_beyond: bool = False


@dataclass(frozen=True)
class MachineGauge:
    """What the readings of one machine say.

    Attributes
    ----------
    machine : {"oven", "press"}
    name : str
        The machine's name on the line.
    readings : tuple of GaugeReading
        In force: those of the last `USUAL_INTERVAL_DAYS` days before the newest. Older ones tell the drift only.
    older : int
        Trusted readings that are no longer in force.
    display : DisplayLine or None
        The correction; None without a reading.
    as_dialled : bool
        Whether temperatures are taken as what is dialled in, so that the correction is shown but not made.
    follows : bool
        Whether the readings show that the surface follows the display; False without a reading.
    budget : Budget or None
        Uncertainty of a surface temperature, from its sources.
    setting_error : SettingError or None
        How far the machine wanders by its readings; None without one.
    drift : GaugeDrift or None
        None without a reading that has a time.
    off_centre_delta_degc : float or None
        Mean of the places that were read minus the centre, at one setting; None where fewer than three places were
        read, or not the centre. The correction is that of the centre.
    status : GaugeStatus
        Missing, in date or out of date, and when to measure again.
    """

    machine: MachineKind
    name: str
    readings: tuple[GaugeReading, ...]
    older: int
    display: DisplayLine | None
    as_dialled: bool
    follows: bool
    budget: Budget | None
    setting_error: SettingError | None
    drift: GaugeDrift | None
    off_centre_delta_degc: float | None
    status: GaugeStatus

    @property
    def is_checked(self) -> bool:
        """Whether dial settings are told from the readings."""
        return self.display is not None and self.follows and not self.as_dialled

    @property
    def step_delta_degc(self) -> float | None:
        """Smallest sensible step between neighbouring levels: 2 U, as two settings closer than that may in truth be in
        the wrong order; None without a reading.
        """
        return None if self.budget is None else 2 * self.budget.expanded

    @property
    def notes(self) -> tuple[Finding, ...]:
        """What is to be known about the correction and the setting error, each once."""
        display = () if self.display is None else self.display.notes
        error = self.setting_error
        known = () if error is None else error.notes if error.df else error.notes[:-1]
        return tuple(dict.fromkeys((*display, *known)))

    def dial(self, surface_degc: float) -> MachineSetting:
        """What to dial in for a surface temperature; the same where the display is not checked."""
        if self.display is None or not self.is_checked:
            return MachineSetting(self.machine, surface_degc, surface_degc)
        found = self.display.dial(surface_degc)
        return self._checked(found, surface_degc, found.degc)

    def surface(self, dial_degc: float) -> MachineSetting:
        """What the surface has when a value is dialled in; the same where the display is not checked."""
        if self.display is None or not self.is_checked:
            return MachineSetting(self.machine, dial_degc, dial_degc)
        found = self.display.surface(dial_degc)
        return self._checked(found, found.degc, dial_degc)

    def _checked(self, found: Converted, surface_degc: float, dial_degc: float) -> MachineSetting:
        assert self.display is not None
        shown = dial_degc - self.display.set_minus_shown_delta_degc
        reach = SAFE_REACH_DELTA_DEGC
        is_beyond = not self.display.low_degc - reach <= shown <= self.display.high_degc + reach
        limits = (found.u_delta_degc, found.low_degc, found.high_degc)
        return MachineSetting(self.machine, surface_degc, dial_degc, *limits, True, is_beyond)


@dataclass(frozen=True)
class GaugedLine:
    """A line with the correction of each of its machines in force on a day.

    Attributes
    ----------
    line : Line
        With the uncertainty that the readings give to each machine where none was stated.
    on : date
    machines : tuple of MachineGauge
        Oven, then press; both are there, read or not.
    left_out : tuple of Finding
        Readings that cannot be trusted: ``reading left out`` with its ``name`` and ``why`` (the error that refused it).

    Notes
    -----
    A study's factors are surface temperatures. A dial setting is made from the correction in force when something is
    printed; an error of the correction moves trial and production alike as long as the correction stays the same, so
    it does no harm on the same line and counts when a setting is carried to another.
    """

    line: Line
    on: date
    machines: tuple[MachineGauge, ...]
    left_out: tuple[Finding, ...]

    def machine(self, kind: MachineKind) -> MachineGauge:
        """What the readings say of the oven or the press."""
        return next(m for m in self.machines if m.machine == kind)

    def gauge_of(self, factor: str) -> MachineGauge | None:
        """The machine whose temperature a factor is; None for times, levels and everything else."""
        kind = MACHINE_OF_FACTOR.get(factor)
        return None if kind is None else self.machine(kind)

    def dial(self, factor: str, surface_degc: float) -> MachineSetting | None:
        """What to dial in for a surface temperature; None where the factor is no temperature of a machine."""
        found = self.gauge_of(factor)
        return None if found is None else found.dial(surface_degc)

    def surface(self, factor: str, dial_degc: float) -> MachineSetting | None:
        """What the surface has when a value is dialled in; None where the factor is no temperature of a machine."""
        found = self.gauge_of(factor)
        return None if found is None else found.surface(dial_degc)

    def dial_ends(
        self, factor: str, low_degc: float | None, high_degc: float | None, dial_degc: float, step: float
    ) -> tuple[float, float] | tuple[None, None]:
        """Ends of a surface window on the dial, in degC; none without a window, or where the factor has no display.

        They are rounded inward to steps of the dial; where nothing is left between them, the dial itself.
        """
        here, there = (None if end is None else self.dial(factor, end) for end in (low_degc, high_degc))
        if here is None or there is None:
            return None, None
        first, last = inward(here.dial_degc, there.dial_degc, step)
        return min(first, dial_degc), max(last, dial_degc)


def gauge_line(
    line: Line,
    readings: Sequence[GaugeReading],
    *,
    on: date,
    names: Mapping[int, str] | None = None,
    as_dialled: bool = False,
    gauges: Mapping[MachineKind, float | None] | None = None,
) -> GaugedLine:
    """Judge the readings of a line.

    Parameters
    ----------
    line : Line
    readings : sequence of GaugeReading
        Of the line; those taken after ``on`` are not known then. May be empty.
    on : date
        The day asked about.
    names : mapping, optional
        What to call a reading that is left out, by its place in ``readings``.
    gauges : mapping, optional
        Expanded uncertainty (k = 2) in degC of the gauge that each machine was read with; that of the line if left out.
    as_dialled : bool
        Whether the temperatures asked about are what is dialled in, not those of the surface: then dial and surface
        are the same, and the cautions say so.

    Returns
    -------
    GaugedLine
    """
    trusted: list[GaugeReading] = []
    left_out = []
    for place, reading in enumerate(readings):
        # a day's grace: the day of a reading is that of its own time zone
        if reading.taken_at is not None and reading.taken_at.date() > on + timedelta(days=1):
            continue
        try:
            true_reading(reading)
        except InputError as error:
            name = (names or {}).get(place, "A reading")
            left_out.append(Finding("reading left out", {"name": name, "why": str(error)}))
        else:
            trusted.append(reading)
    known = dict.fromkeys(KINDS, line.gauge_u_degc) | dict(gauges or {})
    machines = tuple(_judge(replace(line, gauge_u_degc=known[kind]), trusted, kind, on, as_dialled) for kind in KINDS)
    return GaugedLine(_measured(line, machines), on, machines, tuple(left_out))


def _judge(line: Line, readings: Sequence[GaugeReading], kind: MachineKind, on: date, as_dialled: bool) -> MachineGauge:
    own = [r for r in readings if r.machine == kind]
    status = judge_gauge(own, kind, on=on)
    name = getattr(line, kind).name
    if not own:
        return MachineGauge(kind, name, (), 0, None, as_dialled, False, None, None, None, None, status)
    force = in_force(own)
    probe = USUAL_PROBE if line.gauge_u_degc is None else Component("probe", line.gauge_u_degc, "expanded")
    machine = getattr(line, kind)
    step = 1.0 if machine.display_step_degc is None else machine.display_step_degc
    display = fit_display(force, kind, probe_u_delta_degc=probe.u, resolution_delta_degc=step)
    return MachineGauge(
        machine=kind,
        name=name,
        readings=force,
        older=len(own) - len(force),
        display=display,
        as_dialled=as_dialled,
        follows=_follows(display),
        budget=machine_budget(
            force,
            kind,
            probe=probe,
            resolution_delta_degc=step,
            recovery_half_range_delta_degc=machine.recovery_degc,
        ),
        setting_error=measure_setting_error(force, kind),
        drift=measure_drift(own, kind) if any(r.taken_at is not None for r in own) else None,
        off_centre_delta_degc=_off_centre(force),
        status=status,
    )


def _off_centre(readings: Sequence[GaugeReading]) -> float | None:
    """Mean over the places read at one setting minus the centre there."""
    places: dict[str, list[float]] = defaultdict(list)
    mapped = at_one_setting(readings)
    for r in mapped:
        places[reading_spot(r)].append(true_reading(r).degc - r.set_degc)
    centres = {reading_spot(r) for r in mapped if spot_of(r.place) == spot_of("centre")}  # one a platen
    if len(places) < 3 or not centres:
        return None
    means = {spot: fmean(values) for spot, values in places.items()}
    return fmean(means.values()) - fmean(means[spot] for spot in centres)


def _follows(display: DisplayLine) -> bool:
    try:
        display.dial(display.surface((display.low_degc + display.high_degc) / 2).degc)
    except InputError:
        return False
    return display.line is None or display.line.slope > 0


def _measured(line: Line, machines: Sequence[MachineGauge]) -> Line:
    """The line with the uncertainty of each machine: the stated one, else the one that the readings give."""
    changes = {}
    for kind in KINDS:
        machine = getattr(line, kind)
        budget = next(m.budget for m in machines if m.machine == kind)
        if machine.uncertainty_degc is None and budget is not None:
            # what a machine may be stated to have ends at 60
            changes[kind] = replace(machine, uncertainty_degc=round(min(budget.expanded, 60.0), 2))
    return replace(line, **changes)
