"""From display to surface and back: what a machine really gives, and what to dial in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.stats import t

from doe.assure.gauges.error_line import ErrorLine, fit_error_line
from doe.assure.gauges.platen import CENTRE, READING_U_DELTA_DEGC, spot_of
from doe.assure.gauges.readings import readings_of, true_reading
from doe.domain.finding import Finding, Value
from doe.domain.gauge import GaugeReading, MachineKind

PROBE_U_DELTA_DEGC = 1.1
"""Standard uncertainty of a contact probe (2.2 degC at k = 2 is a common statement on a data sheet; from memory)."""

SLOPE_GUESS_U = 0.05
"""How far the slope may be from 1 where a machine was read at one temperature only (our guess, no source)."""

MIN_SPREAD_DELTA_DEGC = 8.0
"""Settings closer together than this do not carry a line."""


NoteCode = Literal["all places together", "emissivity assumed", "scatters", "offset only"]
"""Codes of `DisplayLine.notes`."""


@dataclass(frozen=True)
class Converted:
    """A temperature carried over from display to surface, or back.

    Attributes
    ----------
    degc : float
    u_delta_degc : float
        Standard uncertainty, the gauge's own included.
    low_degc, high_degc : float
        Two-sided limits at the assurance asked for.
    """

    degc: float
    u_delta_degc: float
    low_degc: float
    high_degc: float


@dataclass(frozen=True)
class DisplayLine:
    """What a machine's display means.

    Attributes
    ----------
    machine : {"oven", "press"}
    line : ErrorLine or None
        Surface against display; None where the readings carry only an offset.
    offset_delta_degc, offset_u_delta_degc, offset_df : float
        Mean of surface minus display, its standard uncertainty (gauge apart) and degrees of freedom.
    gauge_u_delta_degc : float
        Standard uncertainty common to all readings: probe and emissivity. It does not shrink with more readings.
    set_minus_shown_delta_degc : float
        How far the machine is set above what it then shows, on average; 0 where the display was not noted.
    readings : int
    low_degc, high_degc : float
        Lowest and highest display value read.
    notes : tuple of Finding
        By `NoteCode`.
    """

    machine: MachineKind
    line: ErrorLine | None
    offset_delta_degc: float
    offset_u_delta_degc: float
    offset_df: float
    gauge_u_delta_degc: float
    set_minus_shown_delta_degc: float
    readings: int
    low_degc: float
    high_degc: float
    notes: tuple[Finding, ...]

    def surface(self, set_degc: float, assurance: float = 0.95) -> Converted:
        """Surface temperature to expect when the machine is set to a value."""
        shown = set_degc - self.set_minus_shown_delta_degc
        if self.line is not None:
            value, u, df = (found := self.line.height(shown)).value, found.u, self.line.df
        else:
            value, u, df = shown + self.offset_delta_degc, self._offset_u(shown), self.offset_df
        return _converted(value, u, self.gauge_u_delta_degc, df, assurance)

    def dial(self, surface_degc: float, assurance: float = 0.95) -> Converted:
        """What to set for a wanted surface temperature; round it to the step of the machine.

        Raises
        ------
        InputError
            If the readings do not show that the surface follows the display.
        """
        if self.line is not None:
            found = self.line.inverse(surface_degc)
            shown, u, df, slope = found.value, found.u, self.line.df, abs(self.line.slope)
        else:
            shown = surface_degc - self.offset_delta_degc
            u, df, slope = self._offset_u(shown), self.offset_df, 1.0
        known = self.gauge_u_delta_degc / slope
        return _converted(shown + self.set_minus_shown_delta_degc, u, known, df, assurance)

    def _offset_u(self, shown: float) -> float:
        away = max(self.low_degc - shown, shown - self.high_degc, 0.0)
        return math.hypot(self.offset_u_delta_degc, SLOPE_GUESS_U * away)


def _converted(value: float, scatter_u: float, known_u: float, df: float, assurance: float) -> Converted:
    """Put the scatter of the readings (on its degrees of freedom) and the gauge's stated part together."""
    u = math.hypot(scatter_u, known_u)
    # Welch and Satterthwaite: the stated part has no degrees of freedom to lose
    effective = df * (u / scatter_u) ** 4 if scatter_u > 0 else math.inf
    half = float(t.ppf((1 + assurance) / 2, effective)) * u
    return Converted(value, u, value - half, value + half)


def fit_display(
    readings: Sequence[GaugeReading],
    machine: MachineKind,
    *,
    probe_u_delta_degc: float = PROBE_U_DELTA_DEGC,
    resolution_delta_degc: float = 1.0,
) -> DisplayLine:
    """Fit surface temperature against display.

    Parameters
    ----------
    readings : sequence of GaugeReading
        Of a line; those of the machine at its centre are used, all of the machine if none was taken there. Where the
        display was noted it is the x, else the set value.
    machine : {"oven", "press"}
    probe_u_delta_degc : float
        Standard uncertainty of the gauge, shared by all its readings.
    resolution_delta_degc : float
        Step of the display; half of it either way is taken as rectangular.

    Returns
    -------
    DisplayLine
        A line (errors in both directions) from three readings on, spread over `MIN_SPREAD_DELTA_DEGC` or more; else an
        offset, with the slope taken as 1.

    Raises
    ------
    InputError
        If there is no reading, or an infrared one cannot be trusted.

    Notes
    -----
    The uncertainty that all readings share is added after the fit: it would not show as scatter.
    """
    own = readings_of(readings, machine)
    here = tuple(r for r in own if spot_of(r.place) == spot_of(CENTRE))
    notes = []
    if not here:
        notes.append(_note("all places together", machine, place=CENTRE))
        here = own
    true = [true_reading(r) for r in here]
    if any(r.assumed for r in true):
        notes.append(_note("emissivity assumed", machine))
    shown = np.array([r.set_degc if r.shown_degc is None else r.shown_degc for r in here])
    surface = np.array([r.degc for r in true])
    gauge_u = math.hypot(probe_u_delta_degc, max(r.u_delta_degc for r in true))
    u_x = resolution_delta_degc / math.sqrt(12)
    line = None
    if len(here) >= 3 and np.ptp(shown) >= MIN_SPREAD_DELTA_DEGC:
        line = fit_error_line(shown, surface, u_x, READING_U_DELTA_DEGC, scatter="larger")
        if line.scatter_sd > 2:
            notes.append(_note("scatters", machine, times=line.scatter_sd))
    else:
        notes.append(_note("offset only", machine, apart_delta_degc=MIN_SPREAD_DELTA_DEGC))
    off = surface - shown
    stated = math.hypot(u_x, READING_U_DELTA_DEGC) / math.sqrt(len(off))
    observed = float(off.std(ddof=1)) / math.sqrt(len(off)) if len(off) > 1 else 0.0
    known = [r.set_degc - r.shown_degc for r in here if r.shown_degc is not None]
    return DisplayLine(
        machine=machine,
        line=line,
        offset_delta_degc=float(off.mean()),
        offset_u_delta_degc=max(stated, observed),
        offset_df=float(len(off) - 1) if observed > stated else math.inf,
        gauge_u_delta_degc=gauge_u,
        set_minus_shown_delta_degc=float(np.mean(known)) if known else 0.0,
        readings=len(here),
        low_degc=float(shown.min()),
        high_degc=float(shown.max()),
        notes=tuple(notes),
    )


def _note(code: NoteCode, machine: MachineKind, **values: Value) -> Finding:
    return Finding(code, {"machine": machine, **values})
