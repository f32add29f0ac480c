"""`doe gauge`: what a machine showed, and what was measured on its surface."""

from __future__ import annotations

from typing import Annotated

import typer

from doe.cli.desk import Desk, command, group
from doe.cli.output import Reply, Table
from doe.domain.texts import quoted
from reports.wording import count

app = group("gauge", "Gauge readings: a display is not the surface temperature.")


@command(app, "add", example="""
    doe gauge add back-room --machine press --set 150 --shown 150 --measured 146 --place "back left"
""")  # fmt: skip
def add(
    desk: Desk,
    line: Annotated[str, typer.Argument(help="The line.")],
    machine: Annotated[str, typer.Option(help="oven or press.")],
    set_to: Annotated[str, typer.Option("--set", help="What it was set to.")],
    measured: Annotated[str, typer.Option(help="What the gauge read once it had settled.")],
    shown: Annotated[str | None, typer.Option(help="What its display showed.")] = None,
    place: Annotated[str, typer.Option(help="Where it was measured.")] = "centre",
    tool: Annotated[str, typer.Option(help="Which gauge: strip, probe, infrared ...")] = "",
    emissivity: Annotated[float | None, typer.Option(help="Setting of an infrared gauge, above 0 to 1.")] = None,
    note: Annotated[str, typer.Option(help="Anything else.")] = "",
) -> Reply:
    """Keep one reading of a gauge on a machine."""
    from doe.cli.typed import quantity
    from doe.domain.gauge import GaugeReading

    def degc(text: str, option: str) -> float:
        return quantity(text, "degC", option, desk.shown, can_ask=desk.can_ask)

    reading = GaugeReading(
        machine, degc(set_to, "--set"), None if shown is None else degc(shown, "--shown"),  # type: ignore[arg-type] # GaugeReading refuses other machines
        degc(measured, "--measured"), place, tool, None, note, emissivity,
    )  # fmt: skip
    with desk.open() as book:
        number = book.add_gauge_reading(line, reading)
    off = desk.shown.delta(reading.measured_degc - reading.set_degc, "degC")
    unit = "°F" if desk.shown.temperature == "degF" else "°C"
    return Reply(
        {"id": number, "line": line, "reading": reading},
        (f"Reading {number}: the {machine} of {line} measures {off:+.3g} {unit} against what it was set to.",),
        (f"doe gauge list {quoted(line)}",),
    )


@command(app, "list", example="doe gauge list back-room")
def list_readings(desk: Desk, line: Annotated[str, typer.Argument(help="The line.")]) -> Reply:
    """List the readings of a line, with mean offset and spread of each machine."""
    from doe.acts.gauges import gauge_offsets
    from doe.domain.units import show as shown_in

    with desk.look() as book:
        kept = book.gauge_history(book.line(line).name)
    counting = [k for k in kept if not k.withdrawn]
    offsets = gauge_offsets([k.reading for k in counting])
    if not kept:
        return Reply({"readings": [], "machines": []}, (f"No gauge reading of {line} yet.",), ("doe gauge add --help",))
    units = desk.shown
    readings = Table(
        ("no.", "machine", "set", "shown", "measured", "place", "taken"),
        [(str(k.id), k.reading.machine, shown_in(k.reading.set_degc, "degC", units),
          "" if k.reading.shown_degc is None else shown_in(k.reading.shown_degc, "degC", units),
          shown_in(k.reading.measured_degc, "degC", units), k.reading.place,
          f"withdrawn: {k.withdrawn}" if k.withdrawn else f"{k.reading.taken_at or k.at:%Y-%m-%d}") for k in kept],
        right=("no.", "set", "shown", "measured"),
    )  # fmt: skip
    unit = "°F" if units.temperature == "degF" else "°C"
    said = [
        f"The {o.machine}: {count(o.readings, 'reading')}, on average "
        f"{units.delta(o.mean_delta_degc, 'degC'):+.1f} {unit} against what it was set to"
        + ("; how much it varies needs a second reading." if o.spread_delta_degc is None
           else f", spread {units.delta(o.spread_delta_degc, 'degC'):.1f} {unit} (standard deviation).")
        for o in offsets
    ]  # fmt: skip
    return Reply({"readings": kept, "machines": offsets}, (*said, readings), ('doe study new "a name" --help',))


@command(app, "withdraw", example='doe gauge withdraw 1 --why "platen had not settled"')
def withdraw(
    desk: Desk,
    number: Annotated[int, typer.Argument(help="Number of the reading, from doe gauge list.")],
    why: Annotated[str, typer.Option(help="What was wrong with it.")],
) -> Reply:
    """Take a mistaken reading back; it stays visible with the reason."""
    with desk.open(create=False) as book:
        book.withdraw_gauge_reading(number, why)
    return Reply({"withdrawn": number, "why": why}, (f"Reading {number} no longer counts; it stays visible.",))


def register(root: typer.Typer) -> None:
    """Add the group to the command tree."""
    root.add_typer(app)
