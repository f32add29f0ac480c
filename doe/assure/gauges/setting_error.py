"""What gauge readings feed into a study: setting error, uncertainty of a temperature, smallest sensible level step."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy.stats import chi2, norm, t

from doe.assure.gauges.platen import reading_spot
from doe.assure.gauges.readings import readings_of, true_reading
from doe.domain.finding import Finding, Value
from doe.domain.gauge import USUAL_GAUGE_U_DEGC, GaugeReading, MachineKind

Distribution = Literal["standard", "expanded", "rectangular"]

_DIVISORS: dict[Distribution, float] = {"standard": 1.0, "expanded": 2.0, "rectangular": math.sqrt(3)}

K_TWO_COVERAGE = float(2 * norm.cdf(2) - 1)
"""Coverage for which the factor of a well-known uncertainty is just 2: 95.45 %."""


@dataclass(frozen=True)
class Component:
    """One source of uncertainty.

    Parameters
    ----------
    name : str
    value : float
        What is known: a standard or expanded uncertainty, or a half-width.
    shape : {"standard", "expanded", "rectangular"}
        An ``expanded`` uncertainty (k = 2) is divided by 2, a half-width (``rectangular``: anywhere within) by root 3.
    df : float
        Degrees of freedom behind the value, infinity when it is simply known.
    """

    name: str
    value: float
    shape: Distribution = "standard"
    df: float = math.inf

    @property
    def divisor(self) -> float:
        """What the value is divided by to become a standard uncertainty."""
        return _DIVISORS[self.shape]

    @property
    def u(self) -> float:
        """Standard uncertainty it gives the result."""
        return self.value / self.divisor


USUAL_PROBE = Component("probe", USUAL_GAUGE_U_DEGC, "expanded")


@dataclass(frozen=True)
class Budget:
    """A combined uncertainty.

    Attributes
    ----------
    table : DataFrame
        One row a source: source, value, shape, divisor, sensitivity, u, df, share (of the variance).
    u : float
        Combined standard uncertainty.
    df : float
        Effective degrees of freedom (Welch and Satterthwaite), not cut down.
    k : float
        Coverage factor.
    expanded : float
        U = k u.
    coverage : float
        What k stands for.
    """

    table: pd.DataFrame
    u: float
    df: float
    k: float
    expanded: float
    coverage: float

    @property
    def largest(self) -> str:
        """Name of the source that adds most."""
        return str(self.table["source"].iloc[int(np.argmax(self.table["u"].to_numpy()))])


def combine_uncertainty(components: Sequence[Component], *, coverage: float = K_TWO_COVERAGE) -> Budget:
    """Combine independent sources of uncertainty.

    Parameters
    ----------
    components : sequence of Component
        At least one; they must not share a cause.
    coverage : float
        Wanted of the interval value +- U; the default gives k = 2 when everything is well known.

    References
    ----------
    JCGM 100:2008 (GUM), 5.1 and annex G.4: standard uncertainties in quadrature; k is the t quantile on the effective
    degrees of freedom cut down to a whole number.

    Examples
    --------
    >>> budget = combine_uncertainty([Component("probe", 2.2, "expanded"), Component("resolution", 0.5, "rectangular")])
    >>> round(budget.u, 3), round(budget.expanded, 2)
    (1.137, 2.27)
    """
    u = np.array([c.u for c in components])
    degrees = np.array([c.df for c in components])
    total = float(np.sqrt(u @ u))
    below = float(np.sum((u / total) ** 4 / degrees)) if total > 0 else 0.0
    df = 1 / below if below > 0 else math.inf
    k = float(t.ppf((1 + coverage) / 2, max(math.floor(df + 1e-9), 1) if math.isfinite(df) else math.inf))
    table = pd.DataFrame(
        {
            "source": [c.name for c in components],
            "value": [c.value for c in components],
            "shape": [c.shape for c in components],
            "divisor": [c.divisor for c in components],
            "sensitivity": 1.0,  # every source is stated in the unit of the result
            "u": u,
            "df": degrees,
            "share": u**2 / total**2 if total > 0 else np.zeros(len(u)),
        }
    )
    return Budget(table, total, df, k, k * total, coverage)


USUAL_SETTING_ERROR_DELTA_DEGC: Mapping[str, float] = {"oven": 4.0, "press": 5.0}
"""Standard deviation assumed before anything was measured (common practice, no source)."""

MACHINE_OF_FACTOR: Mapping[str, MachineKind] = {"cure_temp": "oven", "press_temp": "press"}


NoteCode = Literal["not repeated", "one place", "usual taken", "few degrees of freedom"]
"""Codes of `SettingError.notes`."""


@dataclass(frozen=True)
class SettingError:
    """How far a machine wanders around what it was set to.

    Attributes
    ----------
    machine : {"oven", "press"}
    sd_delta_degc : float
        Standard deviation from print to print: time to time and place to place together.
    high_delta_degc : float
        Upper limit of it at the assurance asked for; infinite without any degree of freedom.
    repeat_sd_delta_degc, place_sd_delta_degc : float or None
        The two parts; None where the readings cannot tell it.
    repeat_df, place_df : int
    df : float
        Effective degrees of freedom of ``sd_delta_degc``; 0 where it is the usual value, not a measured one.
    notes : tuple of Finding
        By `NoteCode`.
    """

    machine: MachineKind
    sd_delta_degc: float
    high_delta_degc: float
    repeat_sd_delta_degc: float | None
    place_sd_delta_degc: float | None
    repeat_df: int
    place_df: int
    df: float
    notes: tuple[Finding, ...]


def measure_setting_error(readings: Sequence[GaugeReading], machine: MachineKind) -> SettingError:
    """Setting error of a machine from repeated readings and from its map.

    Parameters
    ----------
    readings : sequence of GaugeReading
        Of a line. Readings at one place and one setting are repeats; different places at one setting are the map.
    machine : {"oven", "press"}

    Returns
    -------
    SettingError
        Where there are neither repeats nor a map, the usual value, and a note that says so.

    Notes
    -----
    A display that is always 5 degC high is no setting error: see `fit_display`. Scatter of the gauge itself is in the
    repeats, which errs on the careful side. Repeats taken within minutes miss what changes from day to day.
    """
    cells = _cells(readings_of(readings, machine))
    groups = [values for places in cells for values in places]
    repeat_var, repeat_df = _pooled(groups)
    means = [[float(np.mean(v)) for v in places] for places in cells]
    place_var = _pooled(means)[0]
    # the same places read at another setting are no new places
    place_df = max(len(group) - 1 for group in means)
    notes = []
    means_var = place_var
    share = 0.0
    if place_df and repeat_df:
        # the means of places still carry some of the repeat scatter
        share = float(np.mean([1 / len(v) for v in groups]))
        place_var = max(place_var - repeat_var * share, 0.0)
    if not repeat_df:
        notes.append(_note("not repeated", machine))
    if not place_df:
        notes.append(_note("one place", machine))
    if not (repeat_df or place_df):
        usual = USUAL_SETTING_ERROR_DELTA_DEGC[machine]
        notes.append(_note("usual taken", machine, sd_delta_degc=usual))
        return SettingError(machine, usual, math.inf, None, None, 0, 0, 0.0, tuple(notes))
    total = repeat_var + place_var
    parts = [(v, df) for v, df in (((1 - share) * repeat_var, repeat_df), (means_var, place_df)) if df]
    below = sum(v**2 / df for v, df in parts)
    df = sum(v for v, _ in parts) ** 2 / below if below > 0 else float(repeat_df + place_df)
    high = math.sqrt(_upper_sum(parts))
    if df < 5:
        notes.append(_note("few degrees of freedom", machine, df=df, high_delta_degc=high))
    return SettingError(
        machine=machine,
        sd_delta_degc=math.sqrt(total),
        high_delta_degc=high,
        repeat_sd_delta_degc=math.sqrt(repeat_var) if repeat_df else None,
        place_sd_delta_degc=math.sqrt(place_var) if place_df else None,
        repeat_df=repeat_df,
        place_df=place_df,
        df=df,
        notes=tuple(notes),
    )


def machine_budget(
    readings: Sequence[GaugeReading],
    machine: MachineKind,
    *,
    probe: Component = USUAL_PROBE,
    resolution_delta_degc: float = 1.0,
    recovery_half_range_delta_degc: float | None,
) -> Budget:
    """Uncertainty of a surface temperature on a machine.

    Parameters
    ----------
    readings : sequence of GaugeReading
        Of a line: the map (half of highest minus lowest place) and the repeats come from them, where there are any.
    machine : {"oven", "press"}
    probe : Component
        The gauge.
    resolution_delta_degc : float
        Step of the display.
    recovery_half_range_delta_degc : float, optional
        Half of how far the platen falls and comes back from print to print, where it was watched.

    Returns
    -------
    Budget

    References
    ----------
    JCGM 100:2008 (GUM). Which sources to name: common practice, no source.
    """
    own = readings_of(readings, machine)
    parts = [
        probe,
        Component("resolution of the display", resolution_delta_degc / 2, "rectangular"),
    ]
    u_emissivity = max(true_reading(r).u_delta_degc for r in own)
    if u_emissivity > 0:
        parts.append(Component("emissivity", u_emissivity))
    cells = _cells(own)
    half_ranges = [np.ptp([np.mean(v) for v in places]) / 2 for places in cells if len(places) > 1]
    if half_ranges:
        parts.append(Component("map", float(max(half_ranges)), "rectangular"))
    groups = [values for places in cells for values in places]
    variance, df = _pooled(groups)
    if df:
        repeats = max(len(values) for values in groups)
        # the mean of the repeats is used; its scatter is pooled over all of them
        parts.append(Component("repeats", math.sqrt(variance / repeats), df=float(df)))
    if recovery_half_range_delta_degc is not None:
        parts.append(Component("recovery", recovery_half_range_delta_degc, "rectangular"))
    return combine_uncertainty(parts)


def _note(code: NoteCode, machine: MachineKind, **values: Value) -> Finding:
    return Finding(code, {"machine": machine, **values})


def _cells(own: Sequence[GaugeReading]) -> list[list[list[float]]]:
    """Surface minus set: by setting, then by place, then reading after reading."""
    cells: dict[float, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for reading in own:
        cells[reading.set_degc][reading_spot(reading)].append(true_reading(reading).degc - reading.set_degc)
    return [list(places.values()) for places in cells.values()]


def _upper_sum(parts: Sequence[tuple[float, int]]) -> float:
    """Upper limit (90 % assurance) of a sum of independent variances, each with its degrees of freedom.

    F. A. Graybill and C.-M. Wang (1980), *JASA* 75, 869-873 (from memory); exact for a single one.
    """
    reach = sum((v * (df / chi2.ppf(0.10, df) - 1)) ** 2 for v, df in parts)
    return sum(v for v, _ in parts) + math.sqrt(reach)


def _pooled(groups: Sequence[Sequence[float]]) -> tuple[float, int]:
    """Pooled variance within groups and its degrees of freedom."""
    squares = sum(float(np.sum((np.asarray(g) - np.mean(g)) ** 2)) for g in groups if len(g) > 1)
    df = sum(len(g) - 1 for g in groups if len(g) > 1)
    return (squares / df if df else 0.0), df
