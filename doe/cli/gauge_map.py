"""`doe gauge map`: where a platen or an oven is cold."""

from __future__ import annotations

import math
from pathlib import Path

from doe.acts.gauges.line import gauged_line
from doe.acts.gauges.map import write_map
from doe.assure.gauges.summary import map_machine
from doe.cli.desk import Desk, command
from doe.cli.output import Block, Reply, Table, Warn
from doe.domain.texts import quoted
from doe.domain.units import SYMBOLS
from doe.words.gauges.cautions import caution_words, map_words
from doe.words.gauges.machines import map_heading


@command("gauge map")
def map_readings(
    desk: Desk, line: str, machine: str = "press", rows: int = 3, columns: int = 3, output: Path | None = None
) -> Reply:
    """Show where a platen or an oven is cold, and where coupons may lie."""
    with desk.look() as book:
        made = map_machine(gauged_line(book, line), machine, (rows, columns))
    written = None if output is None else write_map(made, output, shown=desk.shown)
    said, left_out = map_words(made.found, desk.shown), caution_words(made.left_out)
    values = made.found.deviation_delta_degc
    usual = values.shape == (3, 3)
    heads = ("left", "middle", "right") if usual else tuple(f"column {i + 1}" for i in range(values.shape[1]))
    names = ("back", "middle", "front") if usual else tuple(f"row {i + 1}" for i in range(values.shape[0]))
    cells = [
        (name, *("not read" if math.isnan(v) else f"{desk.shown.delta(float(v), 'degC'):+.1f}" for v in row))
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
            "line": made.line,
            "machine": machine,
            "set_degc": made.set_degc,
            "map": made.found,
            "sentences": said,
            "page": written,
            "elsewhere": made.elsewhere,
            "left_out": left_out,
            "facts": {"left_out": made.left_out},
        },
        blocks,
        (f"doe gauge show {quoted(made.line)}",),
    )
