"""Gauges in words: dials out of reach, rounds planned while another correction was in force, when a map was read."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from doe.domain.gauge import GaugeReading
from doe.domain.units import METRIC, Shown, show_both, show_difference
from doe.words.dates import day
from doe.words.wording import count_only, listing


def never_dial(machine: str, dial_degc: float, shown: Shown = METRIC) -> str:
    """A dial setting at or above the ceiling."""
    return (
        f"The {machine} would have to be set to {show_both(dial_degc, 'degC', shown)} for it: never do that. Have the "
        "machine mended."
    )


def dial_beyond(machine: str, dial_degc: float, shown: Shown = METRIC) -> str:
    """A dial setting beyond the readings."""
    return (
        f"The dial setting of the {machine} lies beyond the range in which it was measured: measure it near "
        f"{show_both(dial_degc, 'degC', shown)}."
    )


def planned_otherwise(
    machine: str, rounds: Sequence[int], change_delta_degc: float, *, was_checked: bool, shown: Shown = METRIC
) -> str:
    """Rounds planned while another correction of a machine was in force, or none."""
    when = "when another correction of it was in force" if was_checked else "before it was measured"
    planned = "was planned" if len(rounds) == 1 else "were planned"
    return (
        f"The {machine}: {count_only(len(rounds), 'round')} {listing([str(number) for number in rounds])} {planned} "
        f"{when}; for the same surface {show_difference(abs(change_delta_degc), shown)} "
        f"{'more' if change_delta_degc > 0 else 'less'} is dialled in now. Record what was measured on those coupons: "
        "it replaces the setting."
    )


def reading(found: GaugeReading, shown: Shown = METRIC, *, withdrawn: str = "") -> str:
    """A gauge reading, and why it no longer counts."""
    display = "" if found.shown_degc is None else f", display {show_both(found.shown_degc, 'degC', shown)}"
    tool = f" ({found.tool})" if found.tool else ""
    gone = f". Withdrawn: {withdrawn}" if withdrawn else ""
    return (
        f"{found.machine}, {found.place}: set {show_both(found.set_degc, 'degC', shown)}{display}, measured "
        f"{show_both(found.measured_degc, 'degC', shown)}{tool}{gone}"
    )


def days_read(first: date | None, last: date | None) -> str:
    """When a map was read.

    >>> days_read(None, None), days_read(date(2031, 3, 4), date(2031, 3, 5))
    ('on no day that was noted', 'from 2031-03-04 to 2031-03-05')
    """
    if first is None or last is None:
        return "on no day that was noted"
    if first == last:
        return f"on {day(first)}"
    return f"from {day(first)} to {day(last)}"
