"""What the readings of a line say of its machines, put together: a summary, a setting error to start from, a map."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from statistics import fmean, stdev
from typing import Literal

from doe.assure.gauges.cautions import FEW_DF, machine_cautions
from doe.assure.gauges.line import GaugedLine, MachineGauge, MachineSetting
from doe.assure.gauges.platen import PlatenMap, at_one_setting, judge_map, place_of
from doe.assure.gauges.readings import true_reading
from doe.assure.gauges.setting_error import MACHINE_OF_FACTOR
from doe.domain.errors import InputError
from doe.domain.factors import KNOWN_FACTORS
from doe.domain.finding import Finding
from doe.domain.gauge import MACHINE_KINDS, MachineKind

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
    reading that cannot be trusted why.
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


def map_machine(gauged: GaugedLine, machine: str, grid: tuple[int, int] = (3, 3)) -> MachineMap:
    """Map of a machine from the readings of its line in force; ``grid`` is rows (back to front) and columns.

    Where enough places were read at one setting, that setting alone is mapped: a display may be off by another amount
    at another.

    Raises
    ------
    InputError
        If the machine is unknown, the grid cannot be one, or fewer than three of its places were read.
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
    placed = at_one_setting([r for r in gauge.readings if place_of(r.place, grid) is not None])
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
    )
