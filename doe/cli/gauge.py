"""`doe gauge`: what a machine showed, what was measured on its surface, and what that means."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from doe.acts.gauges.line import gauged_line, keep_readings, machine_summaries
from doe.acts.gauges.map import map_machine, write_map
from doe.cli.desk import Desk, command, group
from doe.cli.gauge_words import added, machine_blocks, map_blocks, readings_table
from doe.cli.output import Block, Reply, Warn
from doe.domain.errors import InputError
from doe.domain.gauge import GaugeReading
from doe.domain.texts import quoted
from doe.domain.units import SYMBOLS
from doe.words.gauges import caution_words, map_words, status_words
from doe.words.typed import moment, quantity
from doe.words.wording import count

app = group("gauge", "Gauge readings: a display is not the surface temperature.")


@command(
    app,
    "add",
    example="""
    doe gauge add back-room --machine press --set 150 --shown 150 --measured 146 --place "back left"
    doe gauge add back-room --machine press --set 150 --measured 149 --measured 148.5
    doe gauge add back-room --machine press --set 150 --measured 143 --place front --tool infrared \\
      --emissivity 0.95 --surface-emissivity 0.9 --surroundings 30
""",
)
def add(
    desk: Desk,
    line: Annotated[str, typer.Argument(help="The line.")],
    machine: Annotated[str, typer.Option(help="oven or press.")],
    set_to: Annotated[str, typer.Option("--set", help="What it was set to.")],
    measured: Annotated[
        list[str], typer.Option(help="What the gauge read once it had settled; again for each repeat.")
    ],
    shown: Annotated[str | None, typer.Option(help="What its display showed.")] = None,
    place: Annotated[str, typer.Option(help="Where: centre, back left, front ...; or row 2 column 5.")] = "centre",
    tool: Annotated[str, typer.Option(help="Which gauge: strip, probe, infrared ...")] = "",
    emissivity: Annotated[float | None, typer.Option(help="Setting of an infrared gauge, above 0 to 1.")] = None,
    surface_emissivity: Annotated[
        float | None, typer.Option(help="Of what an infrared gauge looked at; matt tape is about 0.95.")
    ] = None,
    surroundings: Annotated[
        str | None, typer.Option(help="Temperature of what that surface faces: the room, or a hot platen.")
    ] = None,
    repeat: Annotated[
        int | None, typer.Option(min=1, help="Which pass over the places it was; counted on by itself.")
    ] = None,
    taken: Annotated[str | None, typer.Option(help="When it was read, such as 2031-03-05; otherwise now.")] = None,
    note: Annotated[str, typer.Option(help="Anything else.")] = "",
) -> Reply:
    """Keep one reading of a gauge on a machine, or repeats of it."""

    def degc(text: str, option: str) -> float:
        return quantity(text, "degC", option, desk.shown, can_ask=desk.can_ask)

    if repeat is not None and len(measured) > 1:
        raise InputError("--repeat", repeat, "one --measured with it", "Leave it out: repeats are counted on.")
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
        )
        for text in measured
    ]
    with desk.open() as book:
        kept = keep_readings(book, line, readings)
    return Reply(
        {
            "id": kept[0].id,
            "line": line,
            "reading": kept[0].reading,
            "surface_degc": kept[0].surface_degc,
            "kept": kept,
        },
        [block for k in kept for block in added(k, line, desk.shown)],
        (f"doe gauge list {quoted(line)}",),
    )


@command(app, "list", example="doe gauge list back-room")
def list_readings(desk: Desk, line: Annotated[str, typer.Argument(help="The line.")]) -> Reply:
    """List the readings of a line and what they say of each machine.

    Correction with its uncertainty, setting error, smallest sensible step between levels, drift, when to measure again.
    """
    with desk.look() as book:
        kept = book.gauge_history(book.line(line).name)
        gauged = gauged_line(book, line)
    if not kept:
        return Reply(
            {"readings": [], "machines": [], "left_out": [], "never_measured": ["oven", "press"]},
            (f"No gauge reading of {line} yet.",),
            ("doe gauge add --help",),
        )
    machines = machine_summaries(gauged, shown=desk.shown)
    blocks: list[Block] = []
    for found in machines:
        blocks += [*machine_blocks(found, desk.shown), ""]
    left_out = caution_words(gauged.left_out)
    absent = [m.machine for m in gauged.machines if not m.readings]
    blocks += [Warn(status_words(m.status, desk.shown)) for m in gauged.machines if not m.readings]
    blocks += [Warn(text) for text in left_out]
    blocks += [
        f"{count(len(kept), 'reading')}, temperatures in {SYMBOLS[desk.shown.temperature]}:",
        readings_table(kept, gauged, desk.shown),
    ]
    following = [f"doe gauge map {quoted(line)} --machine {m.machine}" for m in machines][-1:]
    return Reply(
        {"readings": kept, "machines": machines, "left_out": left_out, "never_measured": absent},
        blocks,
        (*following, 'doe study new "a name" --help'),
    )


@command(app, "map", example="doe gauge map back-room --machine press -o press-map.html")
def map_readings(
    desk: Desk,
    line: Annotated[str, typer.Argument(help="The line.")],
    machine: Annotated[str, typer.Option(help="oven or press.")] = "press",
    rows: Annotated[int, typer.Option(help="Rows of places, from the back to the front.")] = 3,
    columns: Annotated[int, typer.Option(help="Columns of places, from left to right.")] = 3,
    output: Annotated[Path | None, typer.Option("--output", "-o", help="Also write it as an HTML page.")] = None,
) -> Reply:
    """Show where a platen or an oven is cold, and where coupons may lie."""
    with desk.look() as book:
        made = map_machine(book, line, machine, grid=(rows, columns), shown=desk.shown)
    written = None if output is None else write_map(made, output, shown=desk.shown)
    return Reply(
        {
            "line": made.line,
            "machine": machine,
            "set_degc": made.set_degc,
            "map": made.found,
            "sentences": map_words(made.found, desk.shown),
            "page": written,
            "elsewhere": made.elsewhere,
            "left_out": made.left_out,
        },
        [*map_blocks(made, desk.shown), *([f"The map is in {written}."] if written else [])],
        (f"doe gauge list {quoted(made.line)}",),
    )


@command(app, "withdraw", example='doe gauge withdraw 1 --why "platen had not settled"')
def withdraw(
    desk: Desk,
    number: Annotated[int, typer.Argument(help="Number of the reading, from doe gauge list.")],
    why: Annotated[str, typer.Option(help="What was wrong with it.")],
) -> Reply:
    """Take a mistaken reading back; it stays visible with the reason."""
    with desk.open(create=False) as book:
        book.withdraw_gauge_reading(number, why)
    return Reply(
        {"withdrawn": number, "why": why},
        (f"Reading {number} no longer counts; it stays visible.",),
        ("doe line list",),
    )


def register(root: typer.Typer) -> None:
    """Add the group to the command tree."""
    root.add_typer(app)
