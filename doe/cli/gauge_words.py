"""Gauge readings in words and tables: what a machine gives, what to dial in, what its map shows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from doe.acts.gauges.line import KeptNow, MachineSummary
from doe.assure.gauges.line import GaugedLine
from doe.cli.output import Block, Table, Warn
from doe.domain.units import SYMBOLS, Shown, show_both, show_difference
from doe.words.dates import day
from doe.words.gauges.cautions import map_words, signed
from doe.words.gauges.dials import DialSetting
from doe.words.wording import count

if TYPE_CHECKING:
    from doe.acts.gauges.map import MachineMap

FAR_DELTA_DEGC = 10.0
"""A reading farther than this from others like it is more often a slip than a machine (our guess, no source)."""

DAYS_SHOWN = 6
"""Days with readings that the line about drift names: the first ones left out."""


def added(kept: KeptNow, line: str, units: Shown) -> list[Block]:
    """What a reading that was just kept says."""
    reading = kept.reading
    off = signed(kept.surface_degc - reading.set_degc, units)
    said = f"Reading {kept.id}: the {reading.machine} of {line} is at {off} against what it was set to."
    if reading.emissivity is not None:
        said += f" Set right for emissivity: {show_both(round(kept.surface_degc, 1), 'degC', units)} on the surface."
    away = kept.away_delta_degc
    if away is None or abs(away) < FAR_DELTA_DEGC:
        return [said]
    return [
        said,
        Warn(
            f"That is {signed(away, units)} from the other readings at that place and setting. If it is a mistake: "
            f'doe gauge withdraw {kept.id} --why "..."'
        ),
    ]


def dial_blocks(dials: Sequence[DialSetting], cautions: Sequence[str], gauged: GaugedLine) -> list[Block]:
    """What to dial in for surface temperatures, where readings tell it, and what to be careful about."""
    said: list[Block] = []
    checked = [d for d in dials if d.is_checked]
    if checked:
        rows = [(d.name, d.surface, d.dial, d.plus_minus) for d in dict.fromkeys(checked)]
        said += [
            f"\nTemperatures are those of the surface. To dial in on {gauged.line.name}, by its gauge readings up to "
            f"{day(gauged.on)}:",
            Table(("factor", "surface", "dial in", "±"), rows),
        ]
    return [*said, *(Warn(text) for text in cautions)]


def dial_data(dials: Sequence[DialSetting]) -> list[dict[str, object]]:
    """Dial settings for ``--json``."""
    return [
        {
            "factor": d.name,
            "machine": d.machine,
            "surface_degc": d.surface_degc,
            "dial_degc": d.dial_degc,
            "u_delta_degc": d.u_delta_degc,
            "is_checked": d.is_checked,
        }
        for d in dials
    ]


def machine_blocks(found: MachineSummary, units: Shown) -> list[Block]:
    """One machine: its offset, its correction as a table, how sure that is, setting error, drift and dates."""
    gauge, unit = found.gauge, SYMBOLS[units.temperature]
    budget, error = gauge.budget, gauge.setting_error
    assert budget is not None  # it was read
    assert error is not None
    spread = (
        "how much it varies needs a second reading"
        if found.spread_delta_degc is None
        else f"spread {signed(found.spread_delta_degc, units)[1:]} (standard deviation)"
    )
    older = f" ({count(found.older, 'older one', 'older ones')} for the drift only)" if found.older else ""
    shares = zip(budget.table["source"], budget.table["share"], strict=True)
    sources = ", ".join(f"{source} {share:.0%}" for source, share in shares)
    step = math.ceil(round(units.delta(found.step_delta_degc, "degC"), 6))
    assert gauge.display is not None
    said: list[Block] = [
        f"The {found.machine}, {found.name}: {count(found.readings, 'reading')}{older}, on average "
        f"{signed(found.mean_delta_degc, units)} against what it was set to; {spread}.",
        *([_dial_table(found, units)] if gauge.is_checked else []),
        f"\n  A surface temperature on it is known to ±{show_difference(budget.expanded, units)} (k = {budget.k:.1f}), "
        f"from: {sources}. Levels of {found.factor} should lie at least {step} {unit} apart.",
        f"  Setting error for {found.factor} when none is stated: "
        f"{show_difference(found.suggested_error_delta_degc, units)} ({found.suggested_from}).",
        *(f"  {note}" for note in found.notes),
    ]
    said += _drift(found, units)
    if gauge.status.due is not None and gauge.status.state == "in date":
        said.append(f"  In date; measure it again by {day(gauge.status.due)}.")
    return [*said, *(Warn(text) for text in found.cautions)]


def _dial_table(found: MachineSummary, units: Shown) -> Table:
    unit = SYMBOLS[units.temperature]
    heads = (f"set to, {unit}", "surface", "±", "for that surface, dial in", "± ")
    rows = []
    for row in found.settings:
        cells = [f"{units.value(row.set_degc, 'degC'):.4g}"]
        for made, value in ((row.surface, row.surface.surface_degc), (row.dial, row.dial.dial_degc)):
            assert made.high_degc is not None  # the machine was read
            cells += [f"{units.value(value, 'degC'):.1f}", f"{units.delta(made.high_degc - value, 'degC'):.1f}"]
        rows.append(tuple(cells))
    return Table(heads, rows, right=heads)


def _drift(found: MachineSummary, units: Shown) -> list[Block]:
    drift = found.gauge.drift
    if drift is None or len(drift.sessions) < 2:
        return []
    days = list(zip(drift.sessions["day"], drift.sessions["deviation_delta_degc"], strict=True))[-DAYS_SHOWN:]
    told = ", ".join(f"{day(read)} {units.delta(off, 'degC'):+.1f}" for read, off in days)
    clear = "a clear drift" if drift.is_clear else "no clear drift"
    rate = "" if drift.per_year_delta_degc is None else f" ({signed(drift.per_year_delta_degc, units)} a year)"
    return [f"  Over time, surface minus set in {SYMBOLS[units.temperature]}: {told}: {clear}{rate}."]


def map_blocks(made: MachineMap, units: Shown) -> list[Block]:
    """A map as a grid of differences, and what it means."""
    values = made.found.deviation_delta_degc
    usual = values.shape == (3, 3)
    heads = ("left", "middle", "right") if usual else tuple(f"column {i + 1}" for i in range(values.shape[1]))
    names = ("back", "middle", "front") if usual else tuple(f"row {i + 1}" for i in range(values.shape[0]))
    rows = [
        (name, *("not read" if math.isnan(v) else f"{units.delta(float(v), 'degC'):+.1f}" for v in row))
        for name, row in zip(names, values, strict=True)
    ]
    others = f" {count(made.elsewhere, 'other reading')} of it not on the map." if made.elsewhere else ""
    return [
        f"The {made.machine} of {made.line}, {made.name}, set to {made.settings(units)}, read {made.days}: "
        f"{made.found.places} of {values.size} places, {count(int(made.found.passes.sum()), 'reading')}.{others}",
        Table(("", *heads), rows, right=heads),
        f"\nSurface minus set value in {SYMBOLS[units.temperature]}; the back on top, the left on the left.",
        *map_words(made.found, units),
        *(Warn(text) for text in made.left_out),
    ]
