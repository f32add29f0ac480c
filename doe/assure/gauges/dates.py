"""Gauges over time: drift of a machine against its display, and when to measure again. Dates are passed in."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

import numpy as np
import pandas as pd
from scipy.stats import t

from doe.assure.gauges.platen import CENTRE, spot_of
from doe.assure.gauges.readings import readings_of, true_reading
from doe.domain.gauge import USUAL_INTERVAL_DAYS, GaugeReading, MachineKind

TOLERATED_DELTA_DEGC = 5.0
"""Change of a machine that a recipe survives without being dialled in again (common practice, no source)."""

_YEAR_DAYS = 365.25
_DAY_U_DELTA_DEGC = 1.0  # standard uncertainty of one day's mean (the gauge's placing), where too few days show it


@dataclass(frozen=True)
class GaugeDrift:
    """Change of a machine against its display.

    Attributes
    ----------
    machine : {"oven", "press"}
    sessions : DataFrame
        One row a day with readings: day, deviation_delta_degc (measured minus set), readings.
    per_year_delta_degc : float or None
        Straight-line drift; None before a second day.
    low_delta_degc, high_delta_degc : float
        Two-sided limits of it; infinite where the days cannot tell.
    changed_delta_degc : float
        Last day minus first day.
    is_clear : bool
        Whether the limits leave zero out.
    """

    machine: MachineKind
    sessions: pd.DataFrame
    per_year_delta_degc: float | None
    low_delta_degc: float
    high_delta_degc: float
    changed_delta_degc: float
    is_clear: bool


@dataclass(frozen=True)
class GaugeStatus:
    """Whether a machine's readings may still be trusted.

    ``state`` is ``missing``, ``out of date`` or ``in date``; ``tolerated_delta_degc`` is the change that does no harm
    yet, by which ``due`` was set.
    """

    machine: MachineKind
    state: Literal["missing", "out of date", "in date"]
    last: date | None
    due: date | None
    days_left: int | None
    tolerated_delta_degc: float


def measure_drift(readings: Sequence[GaugeReading], machine: MachineKind, *, assurance: float = 0.90) -> GaugeDrift:
    """Drift of a machine from readings on several days.

    Parameters
    ----------
    readings : sequence of GaugeReading
        At least one of the machine with a time; those at its centre are used, all if none was taken there.
    machine : {"oven", "press"}
    assurance : float
        Of the two-sided limits.

    Notes
    -----
    One day counts once however often the machine was read on it. A gauge that drifts itself cannot be told from a
    machine that does.
    """
    own = [r for r in readings_of(readings, machine) if r.taken_at is not None]
    here = [r for r in own if spot_of(r.place) == spot_of(CENTRE)] or own
    by_day: dict[date, list[float]] = defaultdict(list)
    for r in here:
        if r.taken_at is not None:
            by_day[r.taken_at.date()].append(true_reading(r).degc - r.set_degc)
    counts = {day: len(by_day[day]) for day in sorted(by_day)}
    means = [math.fsum(by_day[day]) / count for day, count in counts.items()]
    sessions = pd.DataFrame({"day": list(counts), "deviation_delta_degc": means, "readings": list(counts.values())})
    days = np.array([d.toordinal() for d in sessions["day"]], dtype=float)
    values = sessions["deviation_delta_degc"].to_numpy(dtype=float)
    changed = float(values[-1] - values[0])
    if len(days) < 2:
        return GaugeDrift(machine, sessions, None, -math.inf, math.inf, changed, False)
    years = (days - days.mean()) / _YEAR_DAYS
    spread = float(years @ years)
    slope = float(years @ values / spread)
    left = values - values.mean() - slope * years
    spare = len(days) - 2
    observed = math.sqrt(float(left @ left) / spare) if spare else 0.0
    # two or three days fit a line by chance: their scatter says little, so the stated one stays in force
    if spare >= 2:
        sd, df = observed, float(spare)
    else:
        sd, df = max(observed, _DAY_U_DELTA_DEGC), math.inf
    half = t.ppf((1 + assurance) / 2, df) * sd / math.sqrt(spread)
    return GaugeDrift(machine, sessions, slope, slope - half, slope + half, changed, abs(slope) > half)


def due_day(last: date, *, drift: GaugeDrift | None = None) -> date:
    """Day by which a machine should be measured again.

    Parameters
    ----------
    last : date
        Of the latest readings.
    drift : GaugeDrift, optional
        A clear drift brings the day forward, to when its faster limit reaches what is tolerated.

    Examples
    --------
    >>> due_day(date(2030, 1, 1))
    datetime.date(2030, 5, 1)
    """
    days = USUAL_INTERVAL_DAYS
    if drift is not None and drift.is_clear:
        fastest = max(abs(drift.low_delta_degc), abs(drift.high_delta_degc))
        days = max(1, min(days, math.floor(TOLERATED_DELTA_DEGC / fastest * _YEAR_DAYS)))
    return last + timedelta(days=days)


def judge_gauge(readings: Sequence[GaugeReading], machine: MachineKind, *, on: date) -> GaugeStatus:
    """Whether the readings of a machine are there and still in date.

    Parameters
    ----------
    readings : sequence of GaugeReading
        Of a line; may be empty.
    machine : {"oven", "press"}
    on : date
        The day asked about.
    """
    own = [r for r in readings if r.machine == machine and r.taken_at is not None]
    if not own:
        return GaugeStatus(machine, "missing", None, None, None, TOLERATED_DELTA_DEGC)
    last = max(r.taken_at.date() for r in own if r.taken_at is not None)
    due = due_day(last, drift=measure_drift(own, machine))
    left = (due - on).days
    return GaugeStatus(machine, "in date" if left >= 0 else "out of date", last, due, left, TOLERATED_DELTA_DEGC)
