"""`doe gauge add`: one reading, or repeats of it."""

from __future__ import annotations

from typing import Annotated

import typer

from doe.acts.gauges.line import keep_readings
from doe.cli.desk import Desk, command, commands
from doe.cli.output import Block, Reply, Warn
from doe.domain.errors import InputError
from doe.domain.gauge import GaugeReading
from doe.domain.texts import quoted
from doe.words.gauges.machines import doubt_words, kept_words
from doe.words.typed import moment, quantity

app = commands()

FAR_DELTA_DEGC = 10.0
"""A reading farther than this from others like it is more often a slip than a machine (our guess, no source)."""


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
        return quantity(text, "degC", option, desk.shown, confirm=desk.confirm)

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
    said: list[Block] = []
    for k in kept:
        said.append(kept_words(k.id, k.reading, k.surface_degc, line, desk.shown))
        if k.away_delta_degc is not None and abs(k.away_delta_degc) >= FAR_DELTA_DEGC:
            said.append(Warn(doubt_words(k.id, k.away_delta_degc, desk.shown)))
    return Reply(
        {
            "id": kept[0].id,
            "line": line,
            "reading": kept[0].reading,
            "surface_degc": kept[0].surface_degc,
            "kept": kept,
        },
        said,
        (f"doe gauge show {quoted(line)}",),
    )
