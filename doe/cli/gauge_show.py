"""`doe gauge show`, `add` and `map`: what the readings of a line mean, new ones, and where a machine is cold."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path

from doe.acts.base import today
from doe.acts.conditions import certificates, certified_gauges
from doe.acts.gauges.line import gauged_line, keep_readings
from doe.acts.gauges.machines import machine_called
from doe.assure.gauges.summary import MachineSummary, machine_summaries, map_machine
from doe.book.book import Book
from doe.cli.desk import Block, Desk, Reply, Screen, Table, Warn, command
from doe.cli.gauge import line_meant
from doe.domain.errors import InputError, quoted
from doe.domain.gauge import GaugeReading
from doe.domain.jsonable import named
from doe.domain.units import SYMBOLS, Shown, fixed
from doe.words.conditions import certificate_lines
from doe.words.facts import Reader
from doe.words.gauges.cautions import caution_words, machine_notes, map_words, status_words
from doe.words.gauges.machines import before_words, doubt_words, kept_words, map_heading, summary_words, worth_words
from doe.words.gauges.setting_errors import basis_words
from doe.words.typed import moment, quantity
from doe.words.wording import local
from reports.files import write_whole
from reports.gauges.map import platen_view
from reports.names import given_names
from reports.pages import render


@command("gauge show")
def show(desk: Desk, line: str | None = None) -> Reply:
    """Show what the readings of a line say of each machine, and what to dial in.

    Correction with its uncertainty, setting error, smallest sensible step between levels, drift, when to measure again.
    """
    with desk.look() as book:
        line = line_meant(book, line).name
        gauged = gauged_line(book, line)
        gauges = certified_gauges(book, line, today())
        has_readings = bool(book.gauge_history(gauged.line.name))
    if not has_readings:
        return Reply(
            {"machines": [], "left_out": [], "never_measured": ["oven", "press"], "certificates": certificates(gauges)},
            (f"No gauge reading of {line} yet.", *certificate_lines(gauges)),
            ("doe gauge add --help",),
        )
    machines = machine_summaries(gauged)
    blocks: list[Block] = []
    rest: list[Block] = []
    for found in machines:
        first, then = _blocks(found, desk.shown)
        blocks += [*([""] if blocks else []), *first]
        rest += ["", *then]
    absent = [m.machine for m in gauged.machines if not m.readings]
    blocks += [Warn(status_words(m.status, desk.shown)) for m in gauged.machines if not m.readings]
    blocks += ["", *certificate_lines(gauges)] if gauges else []
    left_out = caution_words(gauged.left_out)
    blocks += [Warn(text) for text in left_out]
    following = [f"doe gauge map {quoted(line)} --machine {m.gauge.machine}" for m in machines][-1:]
    return Reply(
        {
            "machines": [_data(m, desk.shown) for m in machines],
            "left_out": left_out,
            "never_measured": absent,
            "certificates": certificates(gauges),
            "facts": {"left_out": gauged.left_out},
        },
        blocks,
        (*following, f"doe gauge list {quoted(line)}", 'doe study new "a name" --help'),
        more=rest,
    )


def _blocks(found: MachineSummary, units: Shown) -> Screen:
    """One machine: its offset, what to dial in, what makes that doubtful; then what the readings are worth."""
    blocks: list[Block] = [summary_words(found, units)]
    blocks += [_dial_table(found, units)] if found.gauge.is_checked else []
    blocks += [Warn(text) for text in _cautions(found, units)]
    return blocks, [f"The {found.gauge.machine}:", *(f"  {text}" for text in worth_words(found, units))]


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
            cells += [fixed(units.value(value, "degC"), 1), fixed(units.delta(made.high_degc - value, "degC"), 1)]
        rows.append(tuple(cells))
    return Table(heads, rows, right=heads)


def _data(found: MachineSummary, units: Shown) -> dict[str, object]:
    """One machine for ``--json``: values, facts by code, and the same in words."""
    gauge = found.gauge
    return {
        **named(gauge, "machine", "name", "older"),
        "readings": len(gauge.readings),
        **named(found, "mean_delta_degc", "spread_delta_degc", "settings", "step_delta_degc"),
        "factor": found.suggested.factor,
        "suggested_error_delta_degc": found.suggested.sd,
        "suggested_from": basis_words(found.suggested, units),
        "gauge": gauge,
        "notes": machine_notes(gauge, units),
        "cautions": _cautions(found, units),
        "facts": {"notes": gauge.notes, "cautions": found.cautions, "suggested": found.suggested},
    }


FAR_DELTA_DEGC = 10.0
"""A reading farther than this from others like it is more often a slip than a machine (our guess, no source)."""


@command("gauge add")
def add(
    desk: Desk,
    line: str,
    *,
    machine: str | None = None,
    set_to: str,
    measured: list[str],
    shown: str | None = None,
    place: str = "centre",
    platen: str | None = None,
    tool: str = "",
    emissivity: float | None = None,
    surface_emissivity: float | None = None,
    surroundings: str | None = None,
    repeat: int | None = None,
    taken: str | None = None,
    note: str = "",
) -> Reply:
    """Keep one reading of a gauge on a machine, or repeats of it."""

    def degc(text: str, option: str) -> float:
        return quantity(text, "degC", option, desk.shown)

    if repeat is not None and len(measured) > 1:
        raise InputError("--repeat", repeat, "one --measured with it", "Leave it out: repeats are counted on.")
    with desk.look() as looked:
        line, machine = _machine_meant(looked, line, machine)
    when = None if taken is None else moment(taken, "--taken")
    readings = [
        GaugeReading(
            machine,  # type: ignore[arg-type] # GaugeReading refuses other machines
            degc(set_to, "--set"),
            None if shown is None else degc(shown, "--shown"),
            degc(text, "--measured"),
            place,
            tool,
            when,
            note,
            emissivity,
            surface_emissivity,
            None if surroundings is None else degc(surroundings, "--surroundings"),
            repeat,
            platen,
        )
        for text in measured
    ]
    with desk.open() as book:
        kept = keep_readings(book, line, readings)
    said: list[Block] = []
    for k in kept:
        said.append(kept_words(k.id, k.reading, k.surface_degc, line, desk.shown))
        if k.away_delta_degc is not None and abs(k.away_delta_degc) >= FAR_DELTA_DEGC:
            said.append(Warn(doubt_words(k.id, k.away_delta_degc, desk.shown)))
        if k.before is not None:
            said.append(Warn(before_words(k.id, k.reading.machine, k.before)))
    return Reply(
        {**named(kept[0], "id", "reading", "surface_degc"), "line": line, "kept": kept},
        said,
        (f"doe gauge show {quoted(line)}",),
    )


def _machine_meant(book: Book, name: str, machine: str | None) -> tuple[str, str]:
    """The line and the kind of what was read: a line with its machine, or a machine by its own name."""
    use = machine_called(book, name)
    if use is not None:
        if machine not in (None, use.kind):
            raise InputError("--machine", machine, f"{use.kind}, which {use.machine.name} is", "Leave it out.")
        if not use.lines:
            remedy = f"Put it on one: doe line move {quoted(use.machine.name)} --help"
            raise InputError("machine", repr(name), "one that stands on a line", remedy)
        return use.keeper, use.kind
    if machine is None:
        raise InputError("--machine", "nothing", "oven or press", "Say it, or name the machine instead of its line.")
    return name, machine


@command("gauge map")
def map_readings(
    desk: Desk,
    line: str,
    machine: str = "press",
    platen: str | None = None,
    rows: int = 3,
    columns: int = 3,
    output: Path | None = None,
) -> Reply:
    """Show where a platen or an oven is cold, and where coupons may lie."""
    with desk.look() as book:
        made = map_machine(gauged_line(book, line), machine, (rows, columns), platen)
    written = None
    if output is not None:
        page = platen_view(made, made_at=local(datetime.now(UTC)), shown=desk.shown)
        written = write_whole(output, render("platen.html", page, names=given_names(made, made.name)))
    said, left_out = map_words(made.found, desk.shown), caution_words(made.left_out)
    values = made.found.deviation_delta_degc
    usual = values.shape == (3, 3)
    heads = ("left", "middle", "right") if usual else tuple(f"column {i + 1}" for i in range(values.shape[1]))
    names = ("back", "middle", "front") if usual else tuple(f"row {i + 1}" for i in range(values.shape[0]))
    cells = [
        (name, *("not read" if math.isnan(v) else fixed(desk.shown.delta(float(v), "degC"), 1, "+") for v in row))
        for name, row in zip(names, values, strict=True)
    ]
    blocks: list[Block] = [
        map_heading(made, desk.shown),
        Table(("", *heads), cells, right=heads),
        f"\nSurface minus set value in {SYMBOLS[desk.shown.temperature]}; the back on top, the left on the left.",
        *said,
        *(Warn(text) for text in left_out),
        *([f"The map is in {written}."] if written else []),
    ]
    return Reply(
        {
            **named(made, "line", "set_degc", "elsewhere", "platen"),
            "machine": machine,
            "map": made.found,
            "sentences": said,
            "page": written,
            "left_out": left_out,
            "facts": {"left_out": made.left_out},
        },
        blocks,
        (f"doe gauge show {quoted(made.line)}",),
    )
