"""`doe gauge show`: what the readings of a line mean."""

from __future__ import annotations

from typing import Annotated

import typer

from doe.acts.gauges.line import gauged_line, machine_summaries
from doe.cli.desk import Desk, command, commands
from doe.cli.gauge_words import machine_blocks
from doe.cli.output import Block, Reply, Warn
from doe.domain.texts import quoted
from doe.words.gauges.cautions import caution_words, status_words

app = commands()


@command(app, "show", example="doe gauge show back-room")
def show(desk: Desk, line: Annotated[str, typer.Argument(help="The line.")]) -> Reply:
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
    machines = machine_summaries(gauged, shown=desk.shown)
    blocks: list[Block] = []
    for found in machines:
        blocks += [*machine_blocks(found, desk.shown), ""]
    absent = [m.machine for m in gauged.machines if not m.readings]
    blocks += [Warn(status_words(m.status, desk.shown)) for m in gauged.machines if not m.readings]
    left_out = caution_words(gauged.left_out)
    blocks += [Warn(text) for text in left_out]
    following = [f"doe gauge map {quoted(line)} --machine {m.machine}" for m in machines][-1:]
    return Reply(
        {"machines": machines, "left_out": left_out, "never_measured": absent},
        blocks,
        (*following, f"doe gauge list {quoted(line)}", 'doe study new "a name" --help'),
    )
