"""`doe gauge add`: one reading, or repeats of it."""

from __future__ import annotations

from doe.acts.gauges.line import keep_readings
from doe.cli.desk import Desk, command
from doe.cli.output import Block, Reply, Warn
from doe.domain.errors import InputError
from doe.domain.gauge import GaugeReading
from doe.domain.texts import quoted
from doe.words.gauges.machines import doubt_words, kept_words
from doe.words.typed import moment, quantity

FAR_DELTA_DEGC = 10.0
"""A reading farther than this from others like it is more often a slip than a machine (our guess, no source)."""


@command("gauge add")
def add(
    desk: Desk,
    line: str,
    machine: str,
    set_to: str,
    measured: list[str],
    shown: str | None = None,
    place: str = "centre",
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
