"""`doe line`: oven or tunnel, press and gauge in one place."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

import typer

from doe.cli.desk import Desk, command, commands
from doe.cli.output import Reply, Table
from doe.domain.stack import DEFAULT_OVEN, DEFAULT_PRESS, Line, Machine
from doe.domain.texts import quoted
from doe.domain.units import show_difference
from doe.words.typed import spread
from doe.words.wording import count

app = commands()


@command(
    app,
    "add",
    example="""
    doe line add back-room --oven "tunnel oven" --press "swing press" --gauge "strip gauge 3"
    """,
)
def add(
    desk: Desk,
    name: Annotated[str, typer.Argument(help="A short name for the line.")],
    oven: Annotated[str, typer.Option(help="Name of the oven or tunnel.")] = "oven",
    press: Annotated[str, typer.Option(help="Name of the press.")] = "press",
    gauge: Annotated[str, typer.Option(help="What surface temperatures are measured with.")] = "",
    oven_heat: Annotated[
        float | None, typer.Option(help="Minutes the oven takes to settle 10 degC (18 degF) up.")
    ] = None,
    oven_cool: Annotated[float | None, typer.Option(help="The same, down.")] = None,
    press_heat: Annotated[float | None, typer.Option(help="Minutes the press takes to settle 10 degC up.")] = None,
    press_cool: Annotated[float | None, typer.Option(help="The same, down.")] = None,
    oven_uncertainty: Annotated[str | None, typer.Option(help="Of its temperature, k = 2.")] = None,
    press_uncertainty: Annotated[str | None, typer.Option(help="Of its temperature, k = 2.")] = None,
    oven_recovery: Annotated[
        str | None, typer.Option(help="Half of how far its temperature falls and comes back in use.")
    ] = None,
    press_recovery: Annotated[str | None, typer.Option(help="The same, from print to print.")] = None,
    oven_display_step: Annotated[str | None, typer.Option(help="Step of its display; 1 degC is usual.")] = None,
    press_display_step: Annotated[str | None, typer.Option(help="Step of its display; 1 degC is usual.")] = None,
    gauge_uncertainty: Annotated[
        str | None, typer.Option(help="Of the gauge, k = 2, from its data sheet; 2.2 degC is taken otherwise.")
    ] = None,
    per_stroke: Annotated[int, typer.Option(help="Coupons that fit under the platen at once.")] = 1,
    per_sheet: Annotated[int, typer.Option(help="Coupons that fit on one film sheet in the oven.")] = 4,
    why: Annotated[str, typer.Option(help="Why a line of that name is corrected.")] = "",
) -> Reply:
    """Keep a line; settle minutes decide the order of a plan."""
    made = Line(
        name,
        _machine(desk, DEFAULT_OVEN, oven, oven_heat, oven_cool, oven_uncertainty, oven_display_step, oven_recovery),
        _machine(
            desk, DEFAULT_PRESS, press, press_heat, press_cool, press_uncertainty, press_display_step, press_recovery
        ),
        gauge,
        per_stroke,
        per_sheet,
        spread(gauge_uncertainty, "degC", "--gauge-uncertainty", desk.shown) if gauge_uncertainty else None,
    )
    with desk.open() as book:
        book.save_line(made, why)
    minutes = (
        f"{made.oven.heat_min_per_10:g}/{made.oven.cool_min_per_10:g} min oven, "
        f"{made.press.heat_min_per_10:g}/{made.press.cool_min_per_10:g} min press"
    )
    return Reply(
        {"line": made},
        (f"Line {name} is in the book. Settling 10 °C (18 °F) up/down: {minutes}.",),
        (f"doe gauge add {quoted(name)} --machine press --set 150 --measured 146",),
    )


_SIZES = {
    "uncertainty_degc": "uncertainty",
    "display_step_degc": "step of the display",
    "recovery_degc": "recovery",
}


def _machine(
    desk: Desk, usual: Machine, name: str, heat: float | None, cool: float | None, *sizes: str | None
) -> Machine:
    given = {
        field: spread(text, "degC", f"{name}, {what}", desk.shown) if text else None
        for (field, what), text in zip(_SIZES.items(), sizes, strict=True)
    }
    changes = {"heat_min_per_10": heat, "cool_min_per_10": cool, **given}
    return replace(usual, name=name, **{field: value for field, value in changes.items() if value is not None})


@command(app, "list", example="doe line list")
def list_lines(desk: Desk) -> Reply:
    """List the lines of the book."""
    with desk.look() as book:
        lines = book.lines()
    if not lines:
        return Reply({"lines": []}, ("No line is in the book yet.",), ("doe line add --help",))
    rows = [(x.name, x.oven.name, x.press.name, x.gauge) for x in lines]
    return Reply(
        {"lines": lines},
        (f"{count(len(lines), 'line')}.", Table(("line", "oven or tunnel", "press", "gauge"), rows)),
        (f"doe line show {quoted(lines[0].name)}",),
    )


@command(app, "show", example="doe line show back-room")
def show(desk: Desk, name: Annotated[str, typer.Argument(help="The line.")]) -> Reply:
    """Show one line, how long its machines take to settle, and how many gauge readings there are."""
    with desk.look() as book:
        line = book.line(name)
        readings = len(book.gauge_readings(name))
    rows = [
        (
            m.name,
            f"{m.heat_min_per_10:g}",
            f"{m.cool_min_per_10:g}",
            "" if m.uncertainty_degc is None else f"{desk.shown.delta(m.uncertainty_degc, 'degC'):.2g}",
        )
        for m in (line.oven, line.press)
    ]
    heads = ("machine", "min up", "min down", "uncertainty")
    sizes = [("The gauge is known to ±", line.gauge_u_degc, " (k = 2).")]
    for m in (line.oven, line.press):
        sizes.append((f"{m.name}: its display goes in steps of ", m.display_step_degc, "."))
        sizes.append((f"{m.name}: its surface swings in use by ±", m.recovery_degc, "."))
    known = [f"{head}{show_difference(size, desk.shown)}{end}" for head, size, end in sizes if size is not None]
    fits = f"{count(line.coupons_per_stroke, 'coupon')} a press stroke, {line.coupons_per_sheet} a film sheet"
    return Reply(
        {"line": line, "gauge_readings": readings},
        (
            f"Line {line.name}: {fits}. Gauge: {line.gauge or 'none named'}. {count(readings, 'reading')}.",
            Table(heads, rows, right=heads[1:]),
            "\nMinutes to settle after a change of 10 °C (18 °F).",
            *known,
        ),
        (f"doe gauge show {quoted(name)}",),
    )
