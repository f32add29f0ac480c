"""What the readings of a line say of its machines, put together: a summary, a setting error to start from, a map."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from statistics import fmean, stdev
from typing import Literal

from doe.assure.gauges.dates import GaugeStatus
from doe.assure.gauges.line import GaugedLine, MachineGauge, MachineSetting
from doe.assure.gauges.platen import CLEAR_DELTA_DEGC, PlatenMap, at_one_setting, judge_map, place_of
from doe.assure.gauges.readings import true_reading
from doe.assure.gauges.setting_error import MACHINE_OF_FACTOR
from doe.domain.errors import InputError
from doe.domain.factors import KNOWN_FACTORS
from doe.domain.finding import Finding, Value
from doe.domain.gauge import MACHINE_KINDS, GaugeReading, MachineKind, platens_of
from doe.domain.limits import CEILING_DEGC
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown, show_both

CautionCode = Literal[
    "display not checked",
    "never measured",
    "out of date",
    "certificate expired",
    "surface does not follow",
    "as dialled",
    "same at every temperature",
    "large correction",
    "off centre",
    "drifts",
    "beyond what was read",
    "dial refused",
    "less sure than stated",
    "wanders more than counted",
    "reading left out",
    "never dial",
    "dial beyond what was read",
    "planned otherwise",
]
"""Codes of the cautions about gauges."""

FEW_DF = 3
"""With fewer degrees of freedom a measured setting error says too little to hold against the study's."""

LARGE_CORRECTION_DELTA_DEGC = 20.0
"""A display this far off is a mistake in a reading more often than in a machine (our guess, no source)."""

WORSE = 1.25
"""How many times larger than stated a measured size must be to be worth a word (our guess, no source)."""


def machine_temperatures(study: Study) -> dict[str, tuple[float, float]]:
    """Lowest and highest surface temperature of each machine setting that a study varies or holds, by factor."""
    found = {f.name: (f.low, f.high) for f in study.numeric if f.name in MACHINE_OF_FACTOR}
    for name, value in study.held.items():
        if name in MACHINE_OF_FACTOR and not isinstance(value, str):
            found.setdefault(name, (float(value), float(value)))
    return found


def gauge_cautions(gauged: GaugedLine, study: Study) -> tuple[Finding, ...]:
    """Cautions about the machines of a study's temperatures, varied or held; empty when there is nothing to say."""
    found: list[Finding] = []
    for name, (low, high) in machine_temperatures(study).items():
        gauge = gauged.gauge_of(name)
        assert gauge is not None  # it is a temperature of a machine
        found += machine_cautions(gauge)
        found += _range_cautions(gauge, name, study, low, high)
        stated = getattr(gauged.line, gauge.machine).uncertainty_degc
        if gauge.budget is not None and stated is not None and gauge.budget.expanded > WORSE * stated:
            found.append(
                caution(
                    "less sure than stated",
                    gauge,
                    stated_delta_degc=stated,
                    read_delta_degc=gauge.budget.expanded,
                    largest=gauge.budget.largest,
                )
            )
        if name in study.factor_names and gauge.setting_error is not None:
            error, counted = gauge.setting_error, study.factor(name).setting_sd
            if error.df >= FEW_DF and error.sd_delta_degc > WORSE * counted:
                found.append(
                    caution(
                        "wanders more than counted",
                        gauge,
                        factor=name,
                        read_delta_degc=error.sd_delta_degc,
                        counted_delta_degc=counted,
                    )
                )
    return (*found, *gauged.left_out)


def machine_cautions(gauge: MachineGauge) -> tuple[Finding, ...]:
    """Cautions about a machine's readings, whatever the study."""
    display = gauge.display
    if display is None:
        return (caution("display not checked", gauge),)
    found = []
    if gauge.status.state != "in date":
        found.append(status_caution(gauge.status))
    if not gauge.follows:
        return (*found, caution("surface does not follow", gauge))
    middle = (display.low_degc + display.high_degc) / 2
    if gauge.as_dialled:
        return (*found, caution("as dialled", gauge, off_delta_degc=display.surface(middle).degc - middle))
    if display.line is None:
        found.append(caution("same at every temperature", gauge, readings=display.readings, apart_delta_degc=8.0))
    off = gauge.surface(middle).surface_degc - middle
    if abs(off) > LARGE_CORRECTION_DELTA_DEGC:
        found.append(caution("large correction", gauge, off_delta_degc=off))
    away = gauge.off_centre_delta_degc
    if away is not None and abs(away) > CLEAR_DELTA_DEGC:
        found.append(caution("off centre", gauge, away_delta_degc=away))
    drift = gauge.drift
    if drift is not None and drift.is_clear and drift.per_year_delta_degc is not None:
        found.append(caution("drifts", gauge, per_year_delta_degc=drift.per_year_delta_degc))
    return tuple(found)


def status_caution(status: GaugeStatus) -> Finding:
    """Caution about readings that are not there, or not in date."""
    if status.last is None or status.due is None:
        return Finding("never measured", {"machine": status.machine})
    values: dict[str, Value] = {
        "machine": status.machine,
        "last": status.last.isoformat(),
        "due": status.due.isoformat(),
        "tolerated_delta_degc": status.tolerated_delta_degc,
    }
    return Finding("out of date", values)


def caution(code: CautionCode, gauge: MachineGauge, **values: Value) -> Finding:
    """A caution about a machine."""
    return Finding(code, {"machine": gauge.machine, **values})


def _range_cautions(gauge: MachineGauge, name: str, study: Study, low: float, high: float) -> list[Finding]:
    if not gauge.is_checked or gauge.display is None:
        return []
    found = []
    ends = (gauge.dial(low), gauge.dial(high))
    beyond = tuple(dict.fromkeys(float(round(e.surface_degc)) for e in ends if e.is_beyond))
    if beyond:
        read = (gauge.display.low_degc, gauge.display.high_degc)
        found.append(caution("beyond what was read", gauge, factor=name, surfaces_degc=beyond, read_degc=read))
    dial, most = ends[1].dial_degc, highest_dial(study, gauge.machine)
    if not most.allows(dial):
        found.append(
            caution("dial refused", gauge, factor=name, dial_degc=dial, most_degc=most.degc, is_own=most.is_own)
        )
    return found


@dataclass(frozen=True)
class HighestDial:
    """How high a machine's dial may be set: up to its own limit, or below the ceiling of all."""

    degc: float
    is_own: bool

    def allows(self, dial_degc: float) -> bool:
        """Whether a dial setting is allowed."""
        return dial_degc <= self.degc + 1e-9 if self.is_own else dial_degc < self.degc


def highest_dial(study: Study, machine: MachineKind) -> HighestDial:
    """How high a machine may be set. Limits of film, powder and fabric are those of the surface."""
    limits = study.limits
    own = None if limits is None else (limits.oven_max_degc if machine == "oven" else limits.press_max_degc)
    return HighestDial(own, True) if own is not None and own < CEILING_DEGC else HighestDial(CEILING_DEGC, False)


def refuse_dial(study: Study, name: str, dial_degc: float, *, shown: Shown = METRIC) -> None:
    """Refuse a dial setting that the machine may not be given, or at or above the ceiling.

    Raises
    ------
    InputError
        Saying what is allowed.
    """
    machine = MACHINE_OF_FACTOR[name]
    most = highest_dial(study, machine)
    if not most.allows(dial_degc):
        label = study.factor(name).label if name in study.factor_names else KNOWN_FACTORS[name].label
        raise dial_error(machine, label, dial_degc, most, shown)


def dial_error(machine: str, label: str, dial_degc: float, most: HighestDial, shown: Shown) -> InputError:
    """What is wrong with a dial setting that is not allowed; ``label`` is that of its factor."""
    limit = show_both(most.degc, "degC", shown)
    return InputError(
        f"dial setting of the {machine}",
        show_both(round(dial_degc, 1), "degC", shown),
        f"at most {limit} (limit of the {machine})" if most.is_own else f"below {limit}",
        f"Its display shows more than its surface has: have the {machine} adjusted, or lower the {label}.",
    )


MOST_SETTINGS = 4
"""Settings shown with what they give: the lowest, the highest and some between."""

MOST_PLACES = 20
"""Rows, and columns, that a map may have."""

FACTOR_OF_MACHINE = {machine: factor for factor, machine in MACHINE_OF_FACTOR.items()}

Basis = Literal["measured", "no reading", "few readings", "not in time", "not from place to place"]


@dataclass(frozen=True)
class SuggestedError:
    """Setting error to take for a machine's temperature when nobody states one, in degC of difference.

    ``basis`` says why: ``measured`` by the readings, or the usual one because there is no reading, too few to count
    on, or none that tells what changes in time or from place to place. ``read_sd`` is what the readings give by
    themselves, where they give anything; ``trial_sd`` what a trial wanders that lays every coupon at one place, where
    the readings tell it and it is less.
    """

    factor: str
    sd: float
    basis: Basis
    read_sd: float | None
    readings: int
    trial_sd: float | None

    @property
    def is_measured(self) -> bool:
        """Whether it comes from the readings."""
        return self.basis == "measured"


def suggested_error(gauge: MachineGauge) -> SuggestedError:
    """Setting error to take for a machine when nobody states one, rounded up to a tenth of a degC.

    Where only one of the two parts of the measured one (in time, from place to place) was read, it never goes below
    the usual.
    """
    factor = FACTOR_OF_MACHINE[gauge.machine]
    usual, found = KNOWN_FACTORS[factor].setting_sd, gauge.setting_error
    measured: float | None = None
    basis: Basis = "no reading"
    if found is not None and found.df:
        measured = _tenth_up(found.sd_delta_degc)
        if found.df < FEW_DF:
            basis = "few readings"
        elif measured < usual and found.repeat_sd_delta_degc is None:
            basis = "not in time"
        elif measured < usual and found.place_sd_delta_degc is None:
            basis = "not from place to place"
        else:
            basis = "measured"
    sd = measured if measured is not None and basis == "measured" else usual
    trial = None
    if found is not None and found.repeat_sd_delta_degc is not None and found.repeat_df >= FEW_DF:
        trial = _tenth_up(found.repeat_sd_delta_degc)
    return SuggestedError(factor, sd, basis, measured, len(gauge.readings), trial if trial and trial < sd else None)


def _tenth_up(delta_degc: float) -> float:
    return math.ceil(round(delta_degc * 10, 6)) / 10


@dataclass(frozen=True)
class DialRow:
    """One setting that was read: the ``surface`` it gives, and the ``dial`` for just that surface temperature."""

    set_degc: float
    surface: MachineSetting
    dial: MachineSetting


@dataclass(frozen=True)
class MachineSummary:
    """What the readings of one machine say.

    Attributes
    ----------
    mean_delta_degc, spread_delta_degc : float
        Of surface minus set value; the spread (standard deviation) is None for a single reading.
    settings : tuple of DialRow
        The lowest, the highest and some settings between.
    suggested : SuggestedError
    step_delta_degc : float
        Smallest sensible step between neighbouring levels.
    gauge : MachineGauge
        Readings, correction, uncertainty by source, setting error, drift, dates.
    cautions : tuple of Finding
    """

    mean_delta_degc: float
    spread_delta_degc: float | None
    settings: tuple[DialRow, ...]
    suggested: SuggestedError
    step_delta_degc: float
    gauge: MachineGauge
    cautions: tuple[Finding, ...]


def machine_summaries(gauged: GaugedLine) -> tuple[MachineSummary, ...]:
    """What the readings say of each machine that was read."""
    return tuple(_summary(m) for m in gauged.machines if m.readings)


def _summary(gauge: MachineGauge) -> MachineSummary:
    off = [true_reading(r).degc - r.set_degc for r in gauge.readings]
    settings = sorted({r.set_degc for r in gauge.readings})
    if len(settings) > MOST_SETTINGS:
        settings = [settings[round(i * (len(settings) - 1) / (MOST_SETTINGS - 1))] for i in range(MOST_SETTINGS)]
    step = gauge.step_delta_degc
    assert step is not None  # it was read
    return MachineSummary(
        mean_delta_degc=fmean(off),
        spread_delta_degc=stdev(off) if len(off) > 1 else None,
        settings=tuple(DialRow(s, gauge.surface(s), gauge.dial(s)) for s in settings),
        suggested=suggested_error(gauge),
        step_delta_degc=step,
        gauge=gauge,
        cautions=machine_cautions(gauge),
    )


@dataclass(frozen=True)
class MachineMap:
    """A map of one machine: at which settings and on which days it was read, and what it shows.

    ``elsewhere`` counts readings in force that are not on it (another place or setting); ``left_out`` says of each
    reading that cannot be trusted why; ``platen`` is the one of several that it is of, where readings name it.
    """

    line: str
    machine: MachineKind
    name: str
    set_degc: tuple[float, ...]
    first: date | None
    last: date | None
    found: PlatenMap
    elsewhere: int
    left_out: tuple[Finding, ...]
    platen: str | None = None


def map_machine(gauged: GaugedLine, machine: str, grid: tuple[int, int], platen: str | None = None) -> MachineMap:
    """Map of a machine from the readings of its line in force; ``grid`` is rows (back to front) and columns.

    Where enough places were read at one setting, that setting alone is mapped: a display may be off by another amount
    at another. Of a press with several platens one is mapped: the one named, else that which readings do not name.

    Raises
    ------
    InputError
        If the machine or its platen is unknown, the grid cannot be one, or fewer than three of its places were read.
    """
    if machine not in MACHINE_KINDS:
        raise InputError("--machine", machine, "oven or press", "Say which machine is mapped.")
    if not all(1 <= n <= MOST_PLACES for n in grid) or grid[0] * grid[1] < 3:
        raise InputError(
            "--rows, --columns",
            f"{grid[0]} x {grid[1]}",
            f"1 to {MOST_PLACES} each, 3 places or more",
            "Count the places that were read.",
        )
    gauge = next(m for m in gauged.machines if m.machine == machine)
    platen = _platen_meant(gauge.readings, platen)
    of_it = [r for r in gauge.readings if (r.platen or "").strip().casefold() == (platen or "").casefold()]
    placed = at_one_setting([r for r in of_it if place_of(r.place, grid) is not None])
    days = [r.taken_at.date() for r in placed if r.taken_at is not None]
    return MachineMap(
        line=gauged.line.name,
        machine=gauge.machine,
        name=gauge.name,
        set_degc=tuple(sorted({r.set_degc for r in placed})),
        first=min(days, default=None),
        last=max(days, default=None),
        found=judge_map(placed, grid=grid),
        elsewhere=len(gauge.readings) - len(placed),
        left_out=gauged.left_out,
        platen=platen,
    )


def _platen_meant(readings: Sequence[GaugeReading], name: str | None) -> str | None:
    """The platen of that name; without one the only platen, or None for that which readings do not name.

    Raises
    ------
    InputError
        If no reading names that platen, or several are named and none was asked for.
    """
    known = platens_of(readings)
    if name is None:
        if not known or any(r.platen is None for r in readings):
            return None
        found: tuple[str, ...] = known
    else:
        found = tuple(each for each in known if each.casefold() == name.strip().casefold())
    if len(found) == 1:
        return found[0]
    said = "none named" if name is None else repr(name)
    if not known:
        raise InputError("--platen", said, "none: no reading names a platen", "Leave it out.")
    raise InputError("--platen", said, " or ".join(known), "Name one of them.")
