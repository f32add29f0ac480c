"""Gauges in words: what readings say of a machine, what to be careful about, dials out of reach, maps."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

from doe.assure.gauges.cautions import HighestDial, dial_error, status_caution
from doe.assure.gauges.dates import GaugeStatus
from doe.assure.gauges.line import MachineGauge
from doe.assure.gauges.platen import PlatenMap
from doe.domain.finding import Finding
from doe.domain.gauge import GaugeReading
from doe.domain.units import METRIC, SYMBOLS, Shown, show_both, show_difference
from doe.words.dates import day
from doe.words.facts import Reader, Text, all_worded, worded
from doe.words.wording import count, count_only, listing, verb

NOT_CHECKED = "display not checked"
"""Said beside every dial setting that no reading stands behind."""


def signed(delta_degc: float, shown: Shown) -> str:
    """A difference with its sign, in the reader's unit.

    >>> signed(-4, METRIC)
    '-4.0 °C'
    """
    return f"{shown.delta(delta_degc, 'degC'):+.1f} {SYMBOLS[shown.temperature]}"


def caution_words(
    cautions: Iterable[Finding | str], reader: Reader | None = None, shown: Shown = METRIC
) -> tuple[str, ...]:
    """Cautions as sentences; a reader knows what the factors of the study are called."""
    return all_worded(cautions, CAUTIONS, reader or Reader(shown))


def status_words(status: GaugeStatus, shown: Shown = METRIC) -> str:
    """Caution about readings that are not there or not in date; empty while they are in date."""
    return "" if status.state == "in date" else worded(status_caution(status), CAUTIONS, Reader(shown))


def machine_notes(gauge: MachineGauge, shown: Shown = METRIC) -> tuple[str, ...]:
    """What is to be known about the correction of a machine and about its setting error."""
    notes = () if gauge.display is None else all_worded(gauge.display.notes, NOTES, Reader(shown))
    error = gauge.setting_error
    known = () if error is None else error.notes if error.df else error.notes[:-1]
    return tuple(dict.fromkeys((*notes, *all_worded(known, NOTES, Reader(shown)))))


def map_words(found: PlatenMap, shown: Shown = METRIC) -> tuple[str, ...]:
    """What a map means for where to place a coupon."""
    return all_worded(found.meaning, MEANING, Reader(shown))


def _apart(reader: Reader, delta_degc: float, decimals: int = 1) -> str:
    return show_difference(delta_degc, reader.shown, decimals=decimals)


def _not_checked(_: Reader, *, machine: str) -> str:
    return (
        f"{NOT_CHECKED.capitalize()}: the {machine} was never measured, so what is dialled in is taken for the surface "
        "temperature. Displays tens of degrees off are common: measure it before the first coupon."
    )


def _does_not_follow(_: Reader, *, machine: str) -> str:
    return (
        f"{NOT_CHECKED.capitalize()}: the readings of the {machine} do not show that its surface follows the display, "
        "so no correction is made. Read it again at settings farther apart."
    )


def _out_of_date(reader: Reader, *, machine: str, last: str, due: str, tolerated_delta_degc: float) -> str:
    return (
        f"The {machine} was last measured on {last} and was due on {due}: measure it again before relying on a change "
        f"smaller than {_apart(reader, tolerated_delta_degc, 0)}."
    )


def _as_dialled(reader: Reader, *, machine: str, off_delta_degc: float) -> str:
    return (
        f"Not corrected for the display: the coupons of this study were made at what was dialled in on the {machine}, "
        f"so its temperatures are dial settings. Its surface is {_apart(reader, abs(off_delta_degc))} "
        f"{'below' if off_delta_degc < 0 else 'above'} that; on another line, or after the {machine} was adjusted, "
        "dial in for the same surface."
    )


def _same_everywhere(reader: Reader, *, machine: str, readings: int, apart_delta_degc: float) -> str:
    return (
        f"The correction of the {machine} is the same at every temperature: {count(readings, 'reading')} cannot show "
        f"more. Read it three times or more, at settings {_apart(reader, apart_delta_degc, 0)} or more apart."
    )


def _large_correction(reader: Reader, *, machine: str, off_delta_degc: float) -> str:
    return (
        f"The surface of the {machine} is said to be {_apart(reader, abs(off_delta_degc), 0)} "
        f"{'below' if off_delta_degc < 0 else 'above'} its display. Measure it again, with another gauge if there is "
        "one, before anything is dialled in."
    )


def _off_centre(reader: Reader, *, machine: str, away_delta_degc: float) -> str:
    return (
        f"Dial settings of the {machine} are for its centre, which is {_apart(reader, abs(away_delta_degc))} "
        f"{'hotter' if away_delta_degc < 0 else 'colder'} than the mean of the places that were read: lay the coupons "
        "of a round at one place, and see the map."
    )


def _drifts(reader: Reader, *, machine: str, per_year_delta_degc: float) -> str:
    return (
        f"The {machine} drifts by {_apart(reader, per_year_delta_degc, 0)} a year against its display: measure it "
        "before each round."
    )


def _beyond(
    reader: Reader, *, machine: str, factor: str, surfaces_degc: tuple[float, ...], read_degc: tuple[float, float]
) -> str:
    there = [show_both(degc, "degC", reader.shown) for degc in surfaces_degc]
    read = dict.fromkeys(show_both(round(degc), "degC", reader.shown) for degc in read_degc)
    return (
        f"{reader.label(factor).capitalize()}: {listing(there)} {verb(len(there), 'lies', 'lie')} outside what was "
        f"read on the {machine} (display {' to '.join(read)}): there the correction is a guess."
    )


def _dial_refused(
    reader: Reader, *, machine: str, factor: str, dial_degc: float, most_degc: float, is_own: bool
) -> str:
    return str(dial_error(machine, reader.label(factor), dial_degc, HighestDial(most_degc, is_own), reader.shown))


def _less_sure(reader: Reader, *, machine: str, stated_delta_degc: float, read_delta_degc: float, largest: str) -> str:
    return (
        f"The {machine} is stated to be known to ±{_apart(reader, stated_delta_degc)}; its readings give "
        f"±{_apart(reader, read_delta_degc)}, most of it from: {largest}."
    )


def _wanders(reader: Reader, *, machine: str, factor: str, read_delta_degc: float, counted_delta_degc: float) -> str:
    return (
        f"By its readings the {machine} wanders by {_apart(reader, read_delta_degc)} (standard deviation); the study "
        f"counts {_apart(reader, counted_delta_degc)} for the {reader.label(factor)}, so its answer is too hopeful. "
        "Amend the study with the larger one."
    )


CAUTIONS: dict[str, Text] = {
    "display not checked": _not_checked,
    "never measured": "The {machine} was never measured: its display may be tens of degrees off.",
    "out of date": _out_of_date,
    "surface does not follow": _does_not_follow,
    "as dialled": _as_dialled,
    "same at every temperature": _same_everywhere,
    "large correction": _large_correction,
    "off centre": _off_centre,
    "drifts": _drifts,
    "beyond what was read": _beyond,
    "dial refused": _dial_refused,
    "less sure than stated": _less_sure,
    "wanders more than counted": _wanders,
    "reading left out": "{name} is left out. {why}",
}
"""`doe.assure.gauges.cautions.CautionCode`."""


def _offset_only(reader: Reader, *, machine: str, apart_delta_degc: float) -> str:
    return (
        f"Only an offset can be told for the {machine}: the surface is assumed to follow the display degree by degree. "
        f"Read it three times or more, at settings {_apart(reader, apart_delta_degc, 0)} or more apart."
    )


def _usual_taken(reader: Reader, *, machine: str, sd_delta_degc: float) -> str:
    return (
        f"The setting error of the {machine} is taken as {_apart(reader, sd_delta_degc)} (common practice, no source)."
    )


def _few_degrees(reader: Reader, *, machine: str, df: float, high_delta_degc: float) -> str:
    return (
        f"The setting error of the {machine} rests on about {count(round(df), 'degree')} of freedom: it may be up to "
        f"{_apart(reader, high_delta_degc)}."
    )


NOTES: dict[str, Text] = {
    "all places together": "No reading of the {machine} at the {place}: all places are taken together.",
    "emissivity assumed": "The surface was taken to have the emissivity set on the gauge: true for matt tape or paint, "
    "not for metal.",
    "scatters": "The readings scatter {times:.1f} times as much as stated: the {machine} wanders, or the gauge is hard "
    "to read.",
    "offset only": _offset_only,
    "not repeated": "No place of the {machine} was read twice at one setting: how it wanders in time is not known.",
    "one place": "The {machine} was read at one place only: how uneven it is is not known.",
    "usual taken": _usual_taken,
    "few degrees of freedom": _few_degrees,
}
"""`doe.assure.gauges.display.NoteCode` and `doe.assure.gauges.setting_error.NoteCode`."""


def _cold(_: Reader, *, places: tuple[str, ...]) -> str:
    return (
        f"Cold: {', '.join(places)}. A print that lies there gets less heat than elsewhere at the same setting; a "
        "symptom that always shows there points to the platen, not to the setting."
    )


def _not_clear(reader: Reader, *, repeat_sd_delta_degc: float, place: str, away_delta_degc: float) -> str:
    return (
        f"No place differs clearly from the mean: readings repeated at one place scatter by "
        f"{_apart(reader, repeat_sd_delta_degc)} (standard deviation), and the place farthest off ({place}) by "
        f"{_apart(reader, away_delta_degc)}. That may be chance: read it again before coupons are laid."
    )


MEANING: dict[str, Text] = {
    "span": lambda reader, spread_delta_degc: (
        f"From the coldest to the hottest place it is {_apart(reader, spread_delta_degc)}."
    ),
    "cold": _cold,
    "hot": lambda _, places: f"Hot: {', '.join(places)}.",
    "compare at": lambda _, places: f"Place coupons that are compared at: {', '.join(places)}.",
    "confirm at": "Lay at least one confirmation coupon at the place farthest off ({place}): production uses it too.",
    "even": lambda reader, within_delta_degc: (
        f"No place differs from the mean by more than {_apart(reader, within_delta_degc, 0)}: coupons may lie anywhere "
        "that was read."
    ),
    "not clear": _not_clear,
    "not read": lambda _, places: (
        f"{count(places, 'place')} of the grid {verb(places, 'was', 'were')} not read: nothing is known there."
    ),
    "read once": "Each place was read once: read three passes to tell a cold place from a chance reading.",
}
"""`doe.assure.gauges.platen.MeaningCode`."""


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
