"""Gauges in words: what readings say of a machine, what to be careful about, dials out of reach, maps."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import date

from doe.assure.gauges.dates import GaugeStatus
from doe.assure.gauges.line import MachineGauge
from doe.assure.gauges.platen import PlatenMap
from doe.assure.gauges.summary import HighestDial, dial_error, status_caution
from doe.domain.finding import Finding
from doe.domain.gauge import GaugeReading
from doe.domain.jsonable import packaged_table
from doe.domain.units import METRIC, SYMBOLS, Shown, fixed, rounded, show_both, show_difference
from doe.words.facts import Reader, Text, all_worded, worded
from doe.words.wording import count_only, day, listing, sentence, verb


def signed(delta_degc: float, shown: Shown) -> str:
    """A difference with its sign, in the reader's unit.

    >>> signed(-4, METRIC)
    '-4.0 °C'
    """
    return f"{fixed(shown.delta(delta_degc, 'degC'), 1, '+')} {SYMBOLS[shown.temperature]}"


def caution_words(
    cautions: Iterable[Finding | str], reader: Reader | None = None, shown: Shown = METRIC
) -> tuple[str, ...]:
    """Cautions as sentences; a reader knows what the factors of the study are called."""
    return all_worded(cautions, CAUTIONS, reader or Reader(shown))


def in_short(caution: str) -> str:
    """What a caution is about, without what follows from it.

    >>> in_short("Display not checked: the oven was never measured, so what is dialled in is taken for the surface.")
    'Display not checked: the oven was never measured.'
    """
    parts = re.split(r"(?<=[:;,.])\s", caution)
    length = 2 if len(parts[0].split()) < 4 and len(parts) > 1 else 1
    return sentence(" ".join(parts[:length]).rstrip(":;,."))


def status_words(status: GaugeStatus, shown: Shown = METRIC) -> str:
    """Caution about readings that are not there or not in date; empty while they are in date."""
    return "" if status.state == "in date" else worded(status_caution(status), CAUTIONS, Reader(shown))


def machine_notes(gauge: MachineGauge, shown: Shown = METRIC) -> tuple[str, ...]:
    """What is to be known about the correction of a machine and about its setting error."""
    return all_worded(gauge.notes, NOTES, Reader(shown))


def map_words(found: PlatenMap, shown: Shown = METRIC) -> tuple[str, ...]:
    """What a map means for where to place a coupon."""
    return all_worded(found.meaning, MEANING, Reader(shown))


def _beyond(
    reader: Reader, *, machine: str, factor: str, surfaces_degc: tuple[float, ...], read_degc: tuple[float, float]
) -> str:
    there = [show_both(degc, "degC", reader.shown) for degc in surfaces_degc]
    read = dict.fromkeys(show_both(rounded(degc), "degC", reader.shown) for degc in read_degc)
    return (
        f"{reader.label(factor).capitalize()}: {listing(there)} {verb(len(there), 'lies', 'lie')} outside what was "
        f"read on the {machine} (display {' to '.join(read)}): there the correction is a guess."
    )


def _dial_refused(
    reader: Reader, *, machine: str, factor: str, dial_degc: float, most_degc: float, is_own: bool
) -> str:
    return str(dial_error(machine, reader.label(factor), dial_degc, HighestDial(most_degc, is_own), reader.shown))


def _planned_otherwise(
    reader: Reader, *, machine: str, rounds: Sequence[int], change_delta_degc: float, was_checked: bool
) -> str:
    when = "when another correction of it was in force" if was_checked else "before it was measured"
    planned = f"{count_only(len(rounds), 'round')} {listing([str(number) for number in rounds])}"
    more = f"{show_difference(abs(change_delta_degc), reader.shown)} {'more' if change_delta_degc > 0 else 'less'}"
    return (
        f"The {machine}: {planned} {verb(len(rounds), 'was', 'were')} planned {when}; for the same surface {more} is "
        "dialled in now. Record what was measured on those coupons: it replaces the setting."
    )


_TEXTS = packaged_table("said_of_gauges")

CAUTIONS: dict[str, Text] = {
    **_TEXTS["cautions"],
    "beyond what was read": _beyond,
    "dial refused": _dial_refused,
    "planned otherwise": _planned_otherwise,
}
"""`doe.assure.gauges.summary.CautionCode`."""
NOTES: dict[str, Text] = _TEXTS["notes"]
"""`doe.assure.gauges.display.NoteCode` and `doe.assure.gauges.setting_error.NoteCode`."""
MEANING: dict[str, Text] = _TEXTS["map"]
"""`doe.assure.gauges.platen.MeaningCode`."""


def reading(found: GaugeReading, shown: Shown = METRIC, *, withdrawn: str = "") -> str:
    """A gauge reading, and why it no longer counts."""
    display = "" if found.shown_degc is None else f", display {show_both(found.shown_degc, 'degC', shown)}"
    tool = f" ({found.tool})" if found.tool else ""
    gone = f". Withdrawn: {withdrawn}" if withdrawn else ""
    return (
        f"{found.machine}, {found.spot}: set {show_both(found.set_degc, 'degC', shown)}{display}, measured "
        f"{show_both(found.measured_degc, 'degC', shown)}{tool}{gone}"
    )


def settings_words(set_degc: Iterable[float], shown: Shown = METRIC) -> str:
    """At what settings a machine was read."""
    return ", ".join(show_both(s, "degC", shown) for s in set_degc)


def days_read(first: date | None, last: date | None) -> str:
    """When a map was read.

    >>> days_read(None, None), days_read(date(2031, 3, 4), date(2031, 3, 5))
    ('on no day that was noted', 'from 4 March 2031 to 5 March 2031')
    """
    if first is None or last is None:
        return "on no day that was noted"
    if first == last:
        return f"on {day(first)}"
    return f"from {day(first)} to {day(last)}"
