"""From display to surface and back: what a machine really gives, and what to dial in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import t

from doe.assure.gauges.platen import CENTRE, READING_U_DELTA_DEGC, spot_of
from doe.assure.gauges.readings import FloatArray, readings_of, true_reading
from doe.domain.errors import InputError
from doe.domain.finding import Finding, Value
from doe.domain.gauge import GaugeReading, MachineKind

Scatter = Literal["stated", "observed", "larger"]

_ROUNDS = 500


@dataclass(frozen=True)
class LineValue:
    """A value read off a line, with its standard uncertainty ``u``."""

    value: float
    u: float


@dataclass(frozen=True)
class ErrorLine:
    """A fitted line y = intercept + slope x.

    Attributes
    ----------
    intercept, slope : float
    intercept_u, slope_u : float
        Standard uncertainties.
    correlation : float
        Of intercept and slope.
    centre : float
        The x where height and slope are uncorrelated.
    height_u : float
        Standard uncertainty of the line's height at the centre.
    sum_of_squares : float
        Weighted; about ``points - 2`` when the stated errors are right.
    scatter_sd : float
        Root of the sum of squares by its degrees of freedom: 1 when the stated errors are right.
    df : float
        Degrees of freedom of the uncertainties: infinite when they rest on stated errors.
    points : int
    low, high : float
        Lowest and highest x read; beyond them the line is a guess.
    """

    intercept: float
    slope: float
    intercept_u: float
    slope_u: float
    correlation: float
    centre: float
    height_u: float
    sum_of_squares: float
    scatter_sd: float
    df: float
    points: int
    low: float
    high: float

    def height(self, x: float) -> LineValue:
        """Value of the line at x."""
        u = math.sqrt(self.height_u**2 + (x - self.centre) ** 2 * self.slope_u**2)
        return LineValue(self.intercept + self.slope * x, u)

    def inverse(self, y: float) -> LineValue:
        """The x at which the line reaches y, its uncertainty by propagation.

        Raises
        ------
        InputError
            If the slope is not clearly different from zero: then no x can be told.
        """
        if abs(self.slope) <= 3 * self.slope_u or self.slope == 0:
            raise InputError(
                "line",
                f"slope {self.slope:.3g} with uncertainty {self.slope_u:.2g}",
                "a slope clearly above 0",
                "Read the machine at settings farther apart.",
            )
        x = (y - self.intercept) / self.slope
        return LineValue(x, self.height(x).u / abs(self.slope))


def fit_error_line(
    x: ArrayLike, y: ArrayLike, u_x: ArrayLike, u_y: ArrayLike, *, scatter: Scatter = "stated"
) -> ErrorLine:
    """Fit a straight line to points uncertain in both directions.

    Parameters
    ----------
    x, y : array, shape (points,)
        At least three, at two different x or more.
    u_x, u_y : array, shape (points,), or one number for all
        Standard uncertainties, independent from point to point; not both zero anywhere.
    scatter : {"stated", "observed", "larger"}
        ``stated``: uncertainties of the line follow from the stated ones. ``observed``: the stated ones are taken as
        relative, and their size from the scatter about the line. ``larger``: observed, but only when it is larger.

    Returns
    -------
    ErrorLine

    Notes
    -----
    An error shared by all points (a probe that reads 1 degC low everywhere) does not scatter and is not in the
    uncertainties: add it afterwards.

    References
    ----------
    D. York, N. M. Evensen, M. L. Martinez and J. De Basabe Delgado (2004), *American Journal of Physics* 72, 367-375.
    Without errors in x this is weighted least squares.

    Examples
    --------
    >>> line = fit_error_line([140, 150, 160], [137, 146, 156], 0.3, 1.0)
    >>> round(line.slope, 3), round(line.height(155).value, 1)
    (0.95, 151.1)
    """
    x, y, u_x, u_y = np.broadcast_arrays(*(np.asarray(values, dtype=float) for values in (x, y, u_x, u_y)))
    var_x, var_y = u_x**2, u_y**2

    def parts(slope: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Weights, x and y less their weighted means, and York's beta."""
        weight = 1 / (var_y + slope**2 * var_x)
        U, V = x - weight @ x / weight.sum(), y - weight @ y / weight.sum()
        return weight, U, V, weight * (U * var_y + slope * V * var_x)

    slope = _start(x, y, var_x, var_y)
    for _ in range(_ROUNDS):
        weight, U, V, beta = parts(slope)
        new = float((weight * beta) @ V / ((weight * beta) @ U))
        done = abs(new - slope) <= 1e-14 * max(abs(new), 1e-12)
        slope = new
        if done:
            break
    weight, _, _, beta = parts(slope)
    mean_x, mean_y = weight @ x / weight.sum(), weight @ y / weight.sum()
    adjusted = mean_x + beta
    centre = float(weight @ adjusted / weight.sum())
    intercept = float(mean_y - slope * mean_x)
    squares = float(weight @ (y - intercept - slope * x) ** 2)
    spare = len(x) - 2
    observed = math.sqrt(squares / spare)
    scale = {"stated": 1.0, "observed": observed, "larger": max(observed, 1.0)}[scatter]
    slope_u = float(1 / np.sqrt(weight @ (adjusted - centre) ** 2)) * scale
    height_u = float(1 / np.sqrt(weight.sum())) * scale
    intercept_u = math.hypot(height_u, centre * slope_u)
    return ErrorLine(
        intercept=intercept,
        slope=slope,
        intercept_u=intercept_u,
        slope_u=slope_u,
        correlation=-centre * slope_u / intercept_u if intercept_u > 0 else 0.0,
        centre=centre,
        height_u=height_u,
        sum_of_squares=squares,
        scatter_sd=observed,
        # "larger" mixes the two cases; the few degrees of freedom of the scatter are the careful choice
        df=math.inf if scatter == "stated" else float(spare),
        points=len(x),
        low=float(x.min()),
        high=float(x.max()),
    )


def _start(x: FloatArray, y: FloatArray, var_x: FloatArray, var_y: FloatArray) -> float:
    """Slope of the weighted line with the x errors turned into y errors by the plain slope."""
    plain_slope = float(np.polyfit(x, y, 1)[0])
    weight = 1 / (var_y + plain_slope**2 * var_x + 1e-300)
    U = x - weight @ x / weight.sum()
    return float((weight * U) @ y / ((weight * U) @ U))


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
    set_u_delta_degc, set_df : float
        Standard error of that mean and its degrees of freedom: a display that swings around its setting says less.
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
    set_u_delta_degc: float
    set_df: float
    readings: int
    low_degc: float
    high_degc: float
    notes: tuple[Finding, ...]

    def surface(self, set_degc: float, assurance: float = 0.95) -> Converted:
        """Surface temperature to expect when the machine is set to a value."""
        shown = set_degc - self.set_minus_shown_delta_degc
        if self.line is not None:
            value, u, df, slope = (found := self.line.height(shown)).value, found.u, self.line.df, abs(self.line.slope)
        else:
            value, u, df, slope = shown + self.offset_delta_degc, self._offset_u(shown), self.offset_df, 1.0
        swing = self.set_u_delta_degc * slope
        return _converted(value, ((u, df), (swing, self.set_df)), self.gauge_u_delta_degc, assurance)

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
        scatter = ((u, df), (self.set_u_delta_degc, self.set_df))
        return _converted(shown + self.set_minus_shown_delta_degc, scatter, known, assurance)

    def _offset_u(self, shown: float) -> float:
        away = max(self.low_degc - shown, shown - self.high_degc, 0.0)
        return math.hypot(self.offset_u_delta_degc, SLOPE_GUESS_U * away)


def _converted(value: float, scatter: Sequence[tuple[float, float]], known_u: float, assurance: float) -> Converted:
    """Put what scatters (each with its degrees of freedom) and the gauge's stated part together."""
    u = math.hypot(known_u, *(part for part, _ in scatter))
    # Welch and Satterthwaite: the stated part has no degrees of freedom to lose
    lost = sum(part**4 / df for part, df in scatter)
    effective = u**4 / lost if lost > 0 else math.inf
    half = t.ppf((1 + assurance) / 2, effective) * u
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
    # one noted value cannot show how far the display swings; its own step is the least that is not known
    set_u = float(np.std(known, ddof=1)) / math.sqrt(len(known)) if len(known) > 1 else u_x * bool(known)
    return DisplayLine(
        machine=machine,
        line=line,
        offset_delta_degc=float(off.mean()),
        offset_u_delta_degc=max(stated, observed),
        offset_df=float(len(off) - 1) if observed > stated else math.inf,
        gauge_u_delta_degc=gauge_u,
        set_minus_shown_delta_degc=float(np.mean(known)) if known else 0.0,
        set_u_delta_degc=set_u,
        set_df=float(len(known) - 1) if len(known) > 1 else math.inf,
        readings=len(here),
        low_degc=float(shown.min()),
        high_degc=float(shown.max()),
        notes=tuple(notes),
    )


def _note(code: NoteCode, machine: MachineKind, **values: Value) -> Finding:
    return Finding(code, {"machine": machine, **values})
