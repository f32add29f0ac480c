"""Gauges in the book: a line with its corrections in force, for whatever prints or plans a temperature, and dials.

A study's factors are surface temperatures: coupons' settings, the setpoint and the window are surface values. What is
dialled in for them is computed, when something is printed, from the gauge readings of the line in force that day; where
there is none, the dial is taken for the surface and a caution says so. A temperature measured on the coupon replaces
the set value in the fit.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from statistics import fmean

import pandas as pd

from doe.acts.base import today
from doe.acts.conditions import certificate_cautions
from doe.assure.gauges.line import GaugedLine, gauge_line
from doe.assure.gauges.platen import reading_spot
from doe.assure.gauges.readings import true_reading
from doe.assure.gauges.summary import (
    SuggestedError,
    caution,
    gauge_cautions,
    machine_cautions,
    machine_temperatures,
    refuse_dial,
    suggested_error,
)
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.domain.coding import to_step
from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.domain.gauge import MACHINE_KINDS, GaugeReading, MachineKind, in_force
from doe.domain.limits import CEILING_DEGC
from doe.domain.plan_kinds import is_as_dialled
from doe.domain.stack import Line, Machine
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.words.facts import reader_of
from doe.words.gauges.cautions import caution_words


def gauged_line(book: Book, line: StudyRecord | Line | str, *, on: date | None = None) -> GaugedLine:
    """A line with the correction of each of its machines in force on a day.

    Parameters
    ----------
    book : Book
    line : StudyRecord, Line or str
        A study (its line as it stood then), a line, or the name of one in the book.
    on : date, optional
        Today when left out; readings taken later are not known then, and of a machine that took another one's place
        later that other one's count.

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

    # what is known of gauge and machines may have been learned after the study was made
    meant = replace(meant, gauge_u_degc=now.gauge_u_degc)
    for kind in MACHINE_KINDS:
        meant = meant.having(kind, _known(meant, now, kind, on))
    dialled = not isinstance(line, (str, Line)) and is_as_dialled(book.plan_info(line.id).rounds)
    kept = [k for k in book.gauge_history(meant.name, on) if not k.withdrawn]
    names = {place: f"Reading {k.id}" for place, k in enumerate(kept)}
    gauges = {kind: book.line(book.read_with(now.name, kind)).gauge_u_degc for kind in MACHINE_KINDS}
    day = on or today()
    found = gauge_line(meant, [k.reading for k in kept], on=day, names=names, as_dialled=dialled, gauges=gauges)
    return replace(found, left_out=(*found.left_out, *certificate_cautions(book, meant.name, day)))


def _known(then: Line, now: Line, kind: MachineKind, on: date | None) -> Machine:
    """A machine of a line as it stood, with what was learned of it since; the one in its place where one took it."""
    machine, here = then.machine(kind), now.machine(kind)
    if not then.is_same(kind, now) and now.stands(kind, on):
        return here
    return replace(machine, display_step_degc=here.display_step_degc, recovery_degc=here.recovery_degc)


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


def cautions_said(book: Book, record: StudyRecord, shown: Shown, gauged: GaugedLine | None = None) -> tuple[str, ...]:
    """The same in sentences."""
    return caution_words(study_cautions(book, record, gauged), reader_of(record.study, shown))


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


MOST_UNCHECKED_DELTA_DEGC = 1.0
"""A dial that differs by no more from the one that coupons were made at is the same (our guess, no source)."""


def dialled_otherwise(
    book: Book, record: StudyRecord, settings: Mapping[str, float | str], rounds: Collection[int]
) -> dict[str, tuple[float, float]]:
    """Temperatures whose dial, by the readings of today, is not the one that coupons were made at.

    Where no reading of the machine was in the book when the first of these rounds was planned, the number of the
    surface was dialled in, and the coupons' surface was another.

    Returns
    -------
    dict
        By factor what was dialled and what would be dialled in now, in degC; empty for coupons kept as dialled.
    """
    made = [r.made_at for r in book.plan_info(record.id).rounds if r.round in rounds]
    gauged = gauged_line(book, record)
    history = [k for k in book.gauge_history(record.line.name) if not k.withdrawn]
    steps = {f.name: f.step or USUAL_STEP_DEGC for f in record.study.numeric}
    found = {}
    for name, value in settings.items():
        asked = None if isinstance(value, str) else gauged.dial(name, value)
        if asked is None or not asked.is_checked or not made:
            continue
        if any(k.reading.machine == asked.machine and k.at <= min(made) for k in history):
            continue
        step = steps.get(name, USUAL_STEP_DEGC)
        now = to_step(asked.dial_degc, step)
        if abs(now - asked.surface_degc) > max(step, MOST_UNCHECKED_DELTA_DEGC):
            found[name] = (asked.surface_degc, now)
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

    ``away_delta_degc`` is None without others in force at that place and setting; ``before`` is since when the machine
    stands there, where the reading was taken earlier and so does not count for it.
    """

    id: int
    reading: GaugeReading
    surface_degc: float
    away_delta_degc: float | None
    before: datetime | None = None


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
        and reading_spot(k.reading) == reading_spot(first)
    ]
    others = [true_reading(r).degc for r in in_force(alike) if _is_trusted(r)]
    since = book.line(line).machine(first.machine).since
    numbered = [replace(r, repeat=len(alike) + i) if r.repeat is None else r for i, r in enumerate(readings, start=1)]
    with book.writing():  # repeats are kept together or not at all
        return tuple(
            KeptNow(
                book.add_gauge_reading(line, r),
                r,
                degc,
                degc - fmean(others) if others else None,
                since if since is not None and r.taken_at is not None and r.taken_at < since else None,
            )
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


USUAL_STEP_DEGC = 1.0
"""Step of a dial where nothing else is known."""


@dataclass(frozen=True)
class Dial:
    """A dial value, rounded to a step the machine can be given, and its standard uncertainty."""

    degc: float
    u_delta_degc: float | None


@dataclass(frozen=True)
class OnMachine:
    """A temperature of a recipe.

    Its ``surface`` with the ends of its window there, and its ``dial`` with the ends on it, rounded inward to steps of
    the dial; the ends are None without a window.
    """

    surface_degc: float
    low_degc: float | None
    high_degc: float | None
    dial: Dial
    dial_low_degc: float | None
    dial_high_degc: float | None


@dataclass(frozen=True)
class Dials:
    """Temperatures by factor, those that the readings tell, and what to be careful about.

    ``as_dialled`` says that the coupons were made at dial settings, so that surfaces follow from the readings.
    """

    of: Mapping[str, OnMachine] = field(default_factory=dict)
    cautions: tuple[Finding, ...] = ()
    as_dialled: bool = False


Ends = Mapping[str, tuple[float, float]]


def dials_of(
    book: Book,
    record: StudyRecord,
    setpoint: Mapping[str, float | str],
    window: Ends,
    *,
    on: date,
) -> Dials:
    """Surface and dial of a study's temperatures on its line, by the gauge readings in force on a day.

    A study's temperatures are those of the surface, unless its coupons were made before dial settings were corrected:
    then they are what was dialled in, and the surface follows from the readings. A temperature whose machine was never
    measured, or whose surface does not follow its display, is left out; the cautions say so.
    """
    as_kept = gauged_line(book, record, on=on)
    line = gauged_line(book, record.line, on=on)
    steps = {f.name: f.step or USUAL_STEP_DEGC for f in record.study.numeric}
    found: dict[str, OnMachine] = {}
    numbers = {name: value for name, value in setpoint.items() if not isinstance(value, str)}
    dialled = {name for name in numbers if (gauge := as_kept.gauge_of(name)) is not None and gauge.as_dialled}
    for name in sorted(dialled):
        here = line.surface(name, numbers[name])
        if here is None or not here.is_checked:
            continue
        ends = [line.surface(name, end) for end in window.get(name, ())]
        low, high = (round(e.surface_degc, 1) for e in ends if e is not None) if ends else (None, None)
        surface = round(here.surface_degc, 1)
        found[name] = OnMachine(
            surface, low, high, Dial(numbers[name], here.u_delta_degc), *window.get(name, (None, None))
        )
    asked, beyond = dials_on(as_kept, {n: v for n, v in numbers.items() if n not in dialled}, steps)
    for name, dial in asked.items():
        low, high = window.get(name, (None, None))
        step = steps.get(name, USUAL_STEP_DEGC)
        on_dial = as_kept.dial_ends(name, low, high, dial.degc, step)
        found[name] = OnMachine(numbers[name], low, high, dial, *on_dial)
    used = {gauge.machine: gauge for name in numbers if (gauge := line.gauge_of(name)) is not None}
    said = [caution for gauge in used.values() for caution in machine_cautions(gauge)]
    return Dials(found, (*said, *beyond, *line.left_out), bool(dialled & found.keys()))


def dials_on(
    gauged: GaugedLine, settings: Mapping[str, float | str], steps: Mapping[str, float]
) -> tuple[dict[str, Dial], tuple[Finding, ...]]:
    """Dial values of surface settings on a line that was judged, and a caution for each that lies out of reach.

    One at or above the ceiling is among them, for the caller to refuse.
    """
    found, cautions = {}, []
    for name, value in settings.items():
        asked = None if isinstance(value, str) else gauged.dial(name, value)
        if asked is None or not asked.is_checked:
            continue
        dial = Dial(to_step(asked.dial_degc, steps.get(name, USUAL_STEP_DEGC)), asked.u_delta_degc)
        if dial.degc >= CEILING_DEGC or asked.is_beyond:
            code = "never dial" if dial.degc >= CEILING_DEGC else "dial beyond what was read"
            cautions.append(Finding(code, {"machine": asked.machine, "dial_degc": dial.degc}))
        found[name] = dial
    return found, tuple(cautions)
