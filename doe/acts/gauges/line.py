"""Gauges in the book: a line with its corrections in force, for whatever prints or plans a temperature.

A study's factors are surface temperatures: coupons' settings, the setpoint and the window are surface values. What is
dialled in for them is computed, when something is printed, from the gauge readings of the line in force that day; where
there is none, the dial is taken for the surface and a caution says so. A temperature measured on the coupon replaces
the set value in the fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from statistics import fmean
from typing import TYPE_CHECKING

import pandas as pd

from doe.acts.base import today
from doe.assure.gauges.line import GaugedLine, gauge_line
from doe.assure.gauges.platen import spot_of
from doe.assure.gauges.readings import true_reading
from doe.assure.gauges.summary import (
    SuggestedError,
    caution,
    gauge_cautions,
    machine_temperatures,
    refuse_dial,
    suggested_error,
)
from doe.book.records import StudyRecord
from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.domain.gauge import GaugeReading, in_force
from doe.domain.plan_kinds import is_as_dialled
from doe.domain.stack import Line, Machine
from doe.domain.study import Study

if TYPE_CHECKING:
    from doe.book.book import Book


def gauged_line(book: Book, line: StudyRecord | Line | str, *, on: date | None = None) -> GaugedLine:
    """A line with the correction of each of its machines in force on a day.

    Parameters
    ----------
    book : Book
    line : StudyRecord, Line or str
        A study (its line as it stood then), a line, or the name of one in the book.
    on : date, optional
        Today when left out; readings taken later are not known then.

    Returns
    -------
    GaugedLine
        ``dial(factor, surface_degc)`` and ``surface(factor, dial_degc)`` give a `MachineSetting` with its standard
        uncertainty, or None for a factor that is no temperature of a machine; `doe.assure.gauges.summary` says what to
        be careful about in a study.

    Raises
    ------
    InputError
        If the book has no such line.
    """
    meant = book.line(line) if isinstance(line, str) else line if isinstance(line, Line) else line.line
    now = book.line(meant.name)

    def known(then: Machine, now: Machine) -> Machine:
        return replace(then, display_step_degc=now.display_step_degc, recovery_degc=now.recovery_degc)

    # what is known of gauge and machines may have been learned after the study was made
    meant = replace(
        meant, gauge_u_degc=now.gauge_u_degc, oven=known(meant.oven, now.oven), press=known(meant.press, now.press)
    )
    dialled = not isinstance(line, (str, Line)) and is_as_dialled(book.plan_info(line.id).rounds)
    kept = [k for k in book.gauge_history(meant.name) if not k.withdrawn]
    names = {place: f"Reading {k.id}" for place, k in enumerate(kept)}
    return gauge_line(meant, [k.reading for k in kept], on=on or today(), names=names, as_dialled=dialled)


def refuse_dials(gauged: GaugedLine, study: Study, coupons: pd.DataFrame) -> None:
    """Refuse coupons, or held settings, for which a machine would have to be set beyond what it may be given.

    Raises
    ------
    InputError
        Naming the machine, the dial setting and what is allowed.
    """
    for name, (_, held) in machine_temperatures(study).items():
        top = float(coupons[name].max()) if name in coupons else held
        found = gauged.dial(name, top)
        if found is not None and found.is_checked:
            refuse_dial(study, name, found.dial_degc)


CHANGED_DELTA_DEGC = 3.0
"""A dial setting that changed by less between two rounds is not worth a word (our guess, no source)."""


def study_cautions(book: Book, record: StudyRecord, gauged: GaugedLine | None = None) -> tuple[Finding, ...]:
    """What to be careful about where a study's temperatures rest on gauges, its rounds included.

    ``gauged`` is the line of the study on the day asked about; that of today when left out.
    """
    gauged = gauged_line(book, record) if gauged is None else gauged
    return (*gauge_cautions(gauged, record.study), *_changed_since(book, record, gauged))


def _changed_since(book: Book, record: StudyRecord, gauged: GaugedLine) -> list[Finding]:
    """Rounds that were planned while another correction was in force, and by how much it differs."""
    rounds = book.plan_info(record.id).rounds
    then = {day: gauged_line(book, record, on=day) for day in {made.made_at.date() for made in rounds}}
    found = []
    for name, (low, high) in machine_temperatures(record.study).items():
        now = gauged.gauge_of(name)
        if now is None or not now.is_checked:
            continue
        middle = (low + high) / 2
        off: dict[tuple[float, bool], list[int]] = {}
        for made in rounds:
            before = then[made.made_at.date()].machine(now.machine)
            change = round(now.dial(middle).dial_degc - before.dial(middle).dial_degc, 1)
            if abs(change) >= CHANGED_DELTA_DEGC:
                off.setdefault((change, before.is_checked), []).append(made.round)
        found += [
            caution("planned otherwise", now, rounds=tuple(numbers), change_delta_degc=change, was_checked=checked)
            for (change, checked), numbers in off.items()
        ]
    return found


def suggested_errors(book: Book, line: str) -> dict[str, SuggestedError]:
    """Setting errors that the readings of a line suggest, by factor; only of machines that were read."""
    if not book.gauge_readings(line):  # nothing to import numerics for
        return {}
    found = [suggested_error(gauge) for gauge in gauged_line(book, line).machines if gauge.readings]
    return {one.factor: one for one in found}


@dataclass(frozen=True)
class KeptNow:
    """A reading just kept: its number, the surface behind it, and how far it lies from others like it.

    ``away_delta_degc`` is None without others in force at that place and setting.
    """

    id: int
    reading: GaugeReading
    surface_degc: float
    away_delta_degc: float | None


def keep_readings(book: Book, line: str, readings: Sequence[GaugeReading]) -> tuple[KeptNow, ...]:
    """Keep readings of one place; their passes are numbered on where nobody says which they are.

    Raises
    ------
    InputError
        If one cannot be trusted (then none is kept), with the remedy, or the line is unknown.
    """
    surfaces = [surface_behind(reading) for reading in readings]
    first = readings[0]
    alike = [
        k.reading
        for k in book.gauge_history(line)
        if not k.withdrawn
        and k.reading.machine == first.machine
        and k.reading.set_degc == first.set_degc
        and spot_of(k.reading.place) == spot_of(first.place)
    ]
    others = [true_reading(r).degc for r in in_force(alike) if _is_trusted(r)]
    numbered = [replace(r, repeat=len(alike) + i) if r.repeat is None else r for i, r in enumerate(readings, start=1)]
    return tuple(
        KeptNow(book.add_gauge_reading(line, r), r, degc, degc - fmean(others) if others else None)
        for r, degc in zip(numbered, surfaces, strict=True)
    )


def _is_trusted(reading: GaugeReading) -> bool:
    try:
        surface_behind(reading)
    except InputError:
        return False
    return True


def surface_behind(reading: GaugeReading) -> float:
    """Surface temperature behind a reading, in degC.

    Raises
    ------
    InputError
        If it is infrared without the gauge's setting, of a surface too bright, or the correction is too large.
    """
    if reading.emissivity is None:
        if "infrared" in reading.tool.lower():
            raise InputError(
                "--emissivity",
                "none for an infrared gauge",
                "what the gauge is set to, above 0 to 1",
                "Read it off the gauge, or use a contact probe.",
            )
        for option, value in (
            ("--surface-emissivity", reading.surface_emissivity),
            ("--surroundings", reading.surroundings_degc),
        ):
            if value is not None:
                raise InputError(option, f"{value:g}", "only with --emissivity", "A contact gauge needs none of them.")
    return true_reading(reading).degc
