"""What to dial in for the settings of a recipe on a line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

from doe.acts.gauges.line import gauged_line
from doe.assure.gauges.line import GaugedLine
from doe.assure.gauges.summary import machine_cautions
from doe.book.records import StudyRecord
from doe.domain.coding import inward, to_step
from doe.domain.finding import Finding
from doe.domain.limits import CEILING_DEGC

if TYPE_CHECKING:
    from doe.book.book import Book

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
        found[name] = OnMachine(
            numbers[name], low, high, dial, *dial_ends(as_kept, name, low, high, dial, steps.get(name, USUAL_STEP_DEGC))
        )
    used = {gauge.machine: gauge for name in numbers if (gauge := line.gauge_of(name)) is not None}
    said = [caution for gauge in used.values() for caution in machine_cautions(gauge)]
    return Dials(found, (*said, *beyond, *line.left_out), bool(dialled & found.keys()))


def dial_ends(
    gauged: GaugedLine, name: str, low: float | None, high: float | None, dial: Dial, step: float
) -> tuple[float | None, float | None]:
    """Ends of a surface window on the dial, rounded inward; where nothing is left between them, the dial itself."""
    if low is None or high is None:
        return None, None
    here, there = gauged.dial(name, low), gauged.dial(name, high)
    if here is None or there is None:
        return None, None
    first, last = inward(here.dial_degc, there.dial_degc, step)
    return min(first, dial.degc), max(last, dial.degc)


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
