"""Gauge readings in words: what a reading says, what a machine gives, how sure that is, what its map shows."""

from __future__ import annotations

import math
from datetime import datetime

from doe.assure.gauges.summary import MachineMap, MachineSummary
from doe.domain.gauge import GaugeReading
from doe.domain.units import SYMBOLS, Shown, fixed, rounded, show_both, show_difference
from doe.words.conditions import since_words
from doe.words.gauges.cautions import days_read, machine_notes, settings_words, signed
from doe.words.gauges.setting_errors import basis_words
from doe.words.wording import count, day, percent

DAYS_SHOWN = 6
"""Days with readings that the line about drift names: the first ones left out."""


def kept_words(number: int, reading: GaugeReading, surface_degc: float, line: str, shown: Shown) -> str:
    """What a reading that was just kept says."""
    off = signed(surface_degc - reading.set_degc, shown)
    said = f"Reading {number}: the {reading.machine} of {line} is at {off} against what it was set to."
    if reading.emissivity is not None:
        said += f" Set right for emissivity: {show_both(rounded(surface_degc, 1), 'degC', shown)} on the surface."
    return said


def doubt_words(number: int, away_delta_degc: float, shown: Shown) -> str:
    """That a reading lies far from others like it."""
    return (
        f"That is {signed(away_delta_degc, shown)} from the other readings at that place and setting. If it is a "
        f'mistake: doe gauge withdraw {number} --why "..."'
    )


def before_words(number: int, machine: str, since: datetime) -> str:
    """That a reading is of the machine that another one took the place of."""
    return (
        f"Reading {number} does not count: the {machine} that stands there now does so since {since_words(since)}. If "
        f'it is of that one: doe gauge withdraw {number} --why "...", then keep it with its time (--taken).'
    )


def summary_words(found: MachineSummary, shown: Shown) -> str:
    """How far a machine is off on average, and how much that varies."""
    gauge = found.gauge
    spread = (
        "how much it varies needs a second reading"
        if found.spread_delta_degc is None
        else f"spread {signed(found.spread_delta_degc, shown)[1:]} (standard deviation)"
    )
    older = f" ({count(gauge.older, 'older one', 'older ones')} for the drift only)" if gauge.older else ""
    return (
        f"The {gauge.machine}, {gauge.name}: {count(len(gauge.readings), 'reading')}{older}, on average "
        f"{signed(found.mean_delta_degc, shown)} against what it was set to; {spread}."
    )


def worth_words(found: MachineSummary, shown: Shown) -> tuple[str, ...]:
    """What the readings of a machine are worth: uncertainty, setting error, notes, drift, when to measure again."""
    gauge, suggested = found.gauge, found.suggested
    assert gauge.budget is not None  # it was read
    shares = zip(gauge.budget.table["source"], gauge.budget.table["share"], strict=True)
    sources = ", ".join(f"{source} {percent(share)}" for source, share in shares)
    step = math.ceil(round(shown.delta(found.step_delta_degc, "degC"), 6))
    status = gauge.status
    due = status.state == "in date" and status.due is not None
    return (
        f"A surface temperature on it is known to ±{show_difference(gauge.budget.expanded, shown)} "
        f"(k = {fixed(gauge.budget.k, 1)}), from: {sources}. Levels of {suggested.factor} should lie at least {step} "
        f"{SYMBOLS[shown.temperature]} apart.",
        f"Setting error for {suggested.factor} when none is stated: {show_difference(suggested.sd, shown)} "
        f"({basis_words(suggested, shown)}).",
        *machine_notes(gauge, shown),
        *_drift_words(found, shown),
        *([f"In date; measure it again by {day(status.due)}."] if due and status.due is not None else []),
    )


def _drift_words(found: MachineSummary, shown: Shown) -> tuple[str, ...]:
    drift = found.gauge.drift
    if drift is None or len(drift.sessions) < 2:
        return ()
    days = list(zip(drift.sessions["day"], drift.sessions["deviation_delta_degc"], strict=True))[-DAYS_SHOWN:]
    told = ", ".join(f"{day(read)} {fixed(shown.delta(off, 'degC'), 1, '+')}" for read, off in days)
    clear = "a clear drift" if drift.is_clear else "no clear drift"
    rate = "" if drift.per_year_delta_degc is None else f" ({signed(drift.per_year_delta_degc, shown)} a year)"
    return (f"Over time, surface minus set in {SYMBOLS[shown.temperature]}: {told}: {clear}{rate}.",)


def map_heading(made: MachineMap, shown: Shown) -> str:
    """What was read for a map, at which settings and when."""
    others = f" {count(made.elsewhere, 'other reading')} of it not on the map." if made.elsewhere else ""
    found, platen = made.found, f", platen {made.platen}" if made.platen else ""
    return (
        f"The {made.machine} of {made.line}, {made.name}{platen}, set to {settings_words(made.set_degc, shown)}, read "
        f"{days_read(made.first, made.last)}: {found.places} of {found.passes.size} places, "
        f"{count(int(found.passes.sum()), 'reading')}.{others}"
    )
