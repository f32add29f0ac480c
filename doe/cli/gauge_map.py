"""`doe gauge map`: where a platen or an oven is cold."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from doe.acts.gauges.map import map_machine, write_map
from doe.cli.desk import Desk, command, commands
from doe.cli.gauge_words import map_blocks
from doe.cli.output import Reply
from doe.domain.texts import quoted
from doe.words.gauges.cautions import map_words

app = commands()


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
        (f"doe gauge show {quoted(made.line)}",),
    )
