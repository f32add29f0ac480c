"""Gauges in the book: a line with its corrections in force, for whatever prints or plans a temperature.

A study's factors are surface temperatures: coupons' settings, the setpoint and the window are surface values. What is
dialled in for them is computed, when something is printed, from the gauge readings of the line in force that day; where
there is none, the dial is taken for the surface and a caution says so. A temperature measured on the coupon replaces
the set value in the fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from statistics import fmean, stdev
from typing import TYPE_CHECKING

from doe.domain.gauge import GaugeReading
from doe.domain.stack import Line, Machine

if TYPE_CHECKING:
    from doe.assure import GaugedLine
    from doe.book import Book, StudyRecord


def today() -> date:
    """The day asked about when none is named, on the clock the book keeps."""
    return datetime.now(UTC).date()


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
        uncertainty, or None for a factor that is no temperature of a machine; `doe.assure.gauge_cautions` says what to
        be careful about in a study.

    Raises
    ------
    InputError
        If the book has no such line.
    """
    from dataclasses import replace

    from doe.assure import gauge_line

    meant = book.line(line) if isinstance(line, str) else line if isinstance(line, Line) else line.line
    now = book.line(meant.name)

    def known(then: Machine, now: Machine) -> Machine:
        return replace(then, display_step_degc=now.display_step_degc, recovery_degc=now.recovery_degc)

    # what is known of gauge and machines may have been learned after the study was made
    meant = replace(
        meant, gauge_u_degc=now.gauge_u_degc, oven=known(meant.oven, now.oven), press=known(meant.press, now.press)
    )
    kept = [k for k in book.gauge_history(meant.name) if not k.withdrawn]
    names = {place: f"Reading {k.id}" for place, k in enumerate(kept)}
    return gauge_line(meant, [k.reading for k in kept], on=on or today(), names=names)


@dataclass(frozen=True)
class GaugeOffset:
    """How far one machine is from what it was set to: mean and standard deviation of measured - set, in degC."""

    machine: str
    readings: int
    mean_delta_degc: float
    spread_delta_degc: float | None


def gauge_offsets(readings: Sequence[GaugeReading]) -> tuple[GaugeOffset, ...]:
    """Offset of each machine over its readings."""
    made = []
    for machine in ("oven", "press"):
        off = [r.measured_degc - r.set_degc for r in readings if r.machine == machine]
        if off:
            made.append(GaugeOffset(machine, len(off), fmean(off), stdev(off) if len(off) > 1 else None))
    return tuple(made)
