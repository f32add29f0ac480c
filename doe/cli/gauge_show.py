"""`doe gauge show`: what the readings of a line mean."""

from __future__ import annotations

from doe.acts.gauges.line import gauged_line
from doe.assure.gauges.summary import MachineSummary, machine_summaries
from doe.cli.desk import Desk, command
from doe.cli.output import Block, Reply, Table, Warn
from doe.domain.texts import quoted
from doe.domain.units import SYMBOLS, Shown
from doe.words.facts import Reader
from doe.words.gauges.cautions import caution_words, machine_notes, status_words
from doe.words.gauges.machines import summary_words, worth_words
from doe.words.gauges.setting_errors import basis_words


@command("gauge show")
def show(desk: Desk, line: str) -> Reply:
    """Show what the readings of a line say of each machine, and what to dial in.

    Correction with its uncertainty, setting error, smallest sensible step between levels, drift, when to measure again.
    """
    with desk.look() as book:
        gauged = gauged_line(book, line)
        has_readings = bool(book.gauge_history(gauged.line.name))
    if not has_readings:
        return Reply(
            {"machines": [], "left_out": [], "never_measured": ["oven", "press"]},
            (f"No gauge reading of {line} yet.",),
            ("doe gauge add --help",),
        )
    machines = machine_summaries(gauged)
    blocks: list[Block] = []
    for found in machines:
        blocks += [*_blocks(found, desk.shown), ""]
    absent = [m.machine for m in gauged.machines if not m.readings]
    blocks += [Warn(status_words(m.status, desk.shown)) for m in gauged.machines if not m.readings]
    left_out = caution_words(gauged.left_out)
    blocks += [Warn(text) for text in left_out]
    following = [f"doe gauge map {quoted(line)} --machine {m.gauge.machine}" for m in machines][-1:]
    return Reply(
        {
            "machines": [_data(m, desk.shown) for m in machines],
            "left_out": left_out,
            "never_measured": absent,
            "facts": {"left_out": gauged.left_out},
        },
        blocks,
        (*following, f"doe gauge list {quoted(line)}", 'doe study new "a name" --help'),
    )


def _blocks(found: MachineSummary, units: Shown) -> list[Block]:
    """One machine: its offset, its correction as a table, and what the readings are worth."""
    return [
        summary_words(found, units),
        *([_dial_table(found, units), ""] if found.gauge.is_checked else [""]),
        *(f"  {text}" for text in worth_words(found, units)),
        *(Warn(text) for text in _cautions(found, units)),
    ]


def _cautions(found: MachineSummary, units: Shown) -> tuple[str, ...]:
    return caution_words(found.cautions, Reader(units))


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


def _data(found: MachineSummary, units: Shown) -> dict[str, object]:
    """One machine for ``--json``: values, facts by code, and the same in words."""
    gauge = found.gauge
    return {
        "machine": gauge.machine,
        "name": gauge.name,
        "readings": len(gauge.readings),
        "older": gauge.older,
        "mean_delta_degc": found.mean_delta_degc,
        "spread_delta_degc": found.spread_delta_degc,
        "settings": found.settings,
        "factor": found.suggested.factor,
        "suggested_error_delta_degc": found.suggested.sd,
        "suggested_from": basis_words(found.suggested, units),
        "step_delta_degc": found.step_delta_degc,
        "gauge": gauge,
        "notes": machine_notes(gauge, units),
        "cautions": _cautions(found, units),
        "facts": {"notes": gauge.notes, "cautions": found.cautions, "suggested": found.suggested},
    }
