"""`doe line`: oven or tunnel, press and gauge in one place."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

from doe.acts.base import today
from doe.acts.conditions import certificate_cautions, certificates, certified_gauges
from doe.acts.gauges.machines import another, began, keep_with, machine_meant, machine_records, of_its_own, shared
from doe.acts.gauges.machines import move as move_machine
from doe.acts.gauges.machines import rename as rename_machine
from doe.book.book import Book
from doe.book.store import refuse_without_why
from doe.cli.desk import Desk, Reply, Table, Warn, command
from doe.cli.gauge import CAUTIONS, readings_table
from doe.cli.gauge import machine_lines as reading_lines
from doe.domain.errors import InputError, quoted
from doe.domain.gauge import MACHINE_KINDS, MachineKind, in_force
from doe.domain.stack import Line, Machine, MachineUse, machines_of
from doe.domain.units import show_difference
from doe.words.conditions import (
    certificate_lines,
    former_told,
    machine_cells,
    machine_told,
    moved_told,
    platen_lines,
    put_by_words,
    since_words,
)
from doe.words.facts import Reader, all_worded
from doe.words.typed import spread
from doe.words.wording import count, listing


@command("line add")
def add(
    desk: Desk,
    name: str,
    oven: str | None = None,
    press: str | None = None,
    gauge: str | None = None,
    oven_heat: float | None = None,
    oven_cool: float | None = None,
    press_heat: float | None = None,
    press_cool: float | None = None,
    oven_uncertainty: str | None = None,
    press_uncertainty: str | None = None,
    oven_recovery: str | None = None,
    press_recovery: str | None = None,
    oven_display_step: str | None = None,
    press_display_step: str | None = None,
    gauge_uncertainty: str | None = None,
    oven_of: str = "",
    press_of: str = "",
    oven_since: str = "",
    press_since: str = "",
    per_stroke: int | None = None,
    per_sheet: int | None = None,
    why: str = "",
) -> Reply:
    """Keep a line; settle minutes decide the order of a plan."""
    typed = {
        "oven": _typed(desk, oven, "oven", oven_heat, oven_cool, oven_uncertainty, oven_display_step, oven_recovery),
        "press": _typed(
            desk, press, "press", press_heat, press_cool, press_uncertainty, press_display_step, press_recovery
        ),
    }
    size = spread(gauge_uncertainty, "degC", "--gauge-uncertainty", desk.shown) if gauge_uncertainty else None
    other = _said(gauge=gauge, coupons_per_stroke=per_stroke, coupons_per_sheet=per_sheet, gauge_u_degc=size)
    with desk.open() as book:
        before = next((x for x in book.lines() if x.name == name), None)
        if before is not None and before.gauge.strip() and gauge not in (None, before.gauge):
            other = {"gauge_u_degc": None, **other}  # another gauge is as sure as is known of it
        made = replace(before or Line(name), **other)
        left: dict[MachineKind, Machine | None] = {}
        for kind, of, since in zip(MACHINE_KINDS, (oven_of, press_of), (oven_since, press_since), strict=True):
            if of:
                if typed[kind] or since:
                    raise _told_twice(kind, of)
                made, left[kind] = shared(book, made, kind, of)
            else:
                made, left[kind] = _corrected(book, made, kind, typed[kind], since)
        gone = keep_with(book, made, left if before else {}, why)
        made, others = book.line(name), book.lines()
    minutes = (
        f"{made.oven.heat_min_per_10:g}/{made.oven.cool_min_per_10:g} min oven, "
        f"{made.press.heat_min_per_10:g}/{made.press.cool_min_per_10:g} min press"
    )
    return Reply(
        {"line": made},
        (
            f"Line {name} is in the book. Settling 10 °C (18 °F) up/down: {minutes}.",
            *(() if before is None else _changed(before, made)),
            *(put_by_words(kind, name) for kind, name in gone.items()),
            *shared_words(made, others),
            *_alike(made, others),
        ),
        (f"doe gauge add {quoted(name)} --machine press --set 150 --measured 146",),
    )


def _said(**values: object) -> dict[str, Any]:
    """What was typed; what was not stays as it is kept."""
    return {name: value for name, value in values.items() if value is not None}


def _typed(
    desk: Desk, name: str | None, kind: str, heat: float | None, cool: float | None, *sizes: str | None
) -> dict[str, Any]:
    """What was typed of one machine, by its fields."""
    given = {
        field: spread(text, "degC", f"{name or kind}, {what}", desk.shown) if text else None
        for (field, what), text in zip(_SIZES.items(), sizes, strict=True)
    }
    return _said(name=name, heat_min_per_10=heat, cool_min_per_10=cool, **given)


_SIZES = {
    "uncertainty_degc": "uncertainty",
    "display_step_degc": "step of the display",
    "recovery_degc": "recovery",
}


def _corrected(
    book: Book, line: Line, kind: MachineKind, typed: dict[str, Any], since: str
) -> tuple[Line, Machine | None]:
    """The line with what was typed of a machine: of the one that stands there, or of another that took its place.

    Beside it the one that left.
    """
    there, left = line.machine(kind), None
    if since:
        when = began(book, line.name, kind, since, f"--{kind}-since")
        if when != there.since:
            line, left = another(line, kind, typed.get("name", there.name), when)
    elif there.of is not None and typed.get("name", there.name) != there.name:
        line = of_its_own(book, line, kind, typed["name"])  # a machine of another name is this line's own
    elif there.of is not None and typed:
        found = ", ".join(name.split("_")[0] for name in typed)
        remedy = f"Say it there, or with another --{kind} name where it is another machine."
        raise InputError(f"{kind} of {line.name}", found, f"nothing here: it is kept with {there.of}", remedy)
    return line.having(kind, replace(line.machine(kind), **typed)), left


def _changed(before: Line, made: Line) -> Iterator[str]:
    """What a correction changed, and what became of the rest."""
    parts = {"oven": "oven", "press": "press", "gauge": "gauge", "gauge_u_degc": "uncertainty of the gauge"}
    parts |= {"coupons_per_stroke": "coupons a stroke", "coupons_per_sheet": "coupons a sheet"}
    changed = [words for part, words in parts.items() if getattr(before, part) != getattr(made, part)]
    what = f"Corrected: {listing(changed)}." if changed else "Nothing of it changed."
    yield f"{what} What was not said stays as it was."
    for kind in MACHINE_KINDS:
        if (since := made.machine(kind).since) is not None and since != before.machine(kind).since:
            yield (
                f"Another {kind} since {since_words(since)}: readings taken before do not count, and its uncertainty, "
                f"display and recovery are known again once they are said."
            )


def _told_twice(kind: str, of: str) -> InputError:
    remedy = f"A shared machine is told where it is kept: leave its other options out, or --{kind}-of."
    return InputError(f"--{kind}-of", repr(of), "nothing else said of that machine", remedy)


def shared_words(line: Line, lines: Sequence[Line]) -> tuple[str, ...]:
    """Which machines of a line others are made of too."""
    shared = {kind: line.shares(kind, lines) for kind in MACHINE_KINDS}
    return tuple(
        f"The {kind}, {line.machine(kind).name}, is that of {listing(others)} too: a reading of it counts for all."
        for kind, others in shared.items()
        if others
    )


def _alike(line: Line, lines: Sequence[Line]) -> Iterator[str]:
    """Machines of other lines that are called the same, and may be the same."""
    for kind in MACHINE_KINDS:
        name = line.machine(kind).name
        if name == kind:  # nobody named it
            continue
        others = [x.name for x in lines if x.machine(kind).name == name and x.keeper(kind) != line.keeper(kind)]
        if others and not line.machine(kind).of:
            yield (
                f"{others[0]} has a {kind} called {name} as well. If it is the same one: doe line add "
                f'{quoted(line.name)} --{kind}-of {quoted(others[0])} --why "it is the same", with what else it has.'
            )


@command("line list")
def list_lines(desk: Desk) -> Reply:
    """List the lines of the book."""
    with desk.look() as book:
        lines = book.lines()
    if not lines:
        return Reply({"lines": []}, ("No line is in the book yet.",), ("doe line add --help",))
    rows = [(x.name, _told(x, "oven"), _told(x, "press"), x.gauge) for x in lines]
    return Reply(
        {"lines": lines},
        (
            f"{count(len(lines), 'line')}.",
            Table(("line", "oven or tunnel", "press", "gauge"), rows, is_list=True),
            "",
            *machine_lines(machines_of(lines)),
        ),
        (f"doe line show {quoted(lines[0].name)}",),
    )


def machine_lines(uses: Iterable[MachineUse]) -> tuple[str, ...]:
    """Machines that several lines are made of, or that took another one's place."""
    return tuple(
        f"The {use.kind} {use.machine.name}{_since(use.machine)} is of {listing(use.lines)}."
        for use in uses
        if len(use.lines) > 1 or use.machine.since is not None
    )


def _since(machine: Machine) -> str:
    return "" if machine.since is None else f", there since {since_words(machine.since)},"


def _told(line: Line, kind: MachineKind) -> str:
    machine = line.machine(kind)
    return machine.name if machine.of is None else f"{machine.name}, of {machine.of}"


@command("line show")
def show(desk: Desk, name: str) -> Reply:
    """Show one line, how long its machines take to settle, and how many gauge readings there are."""
    with desk.look() as book:
        line, lines = book.line(name), book.lines()
        readings = len(book.gauge_readings(name))
        gauges = certified_gauges(book, name, today())
        expired = all_worded(certificate_cautions(book, name, today()), CAUTIONS, Reader(desk.shown))
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
        {"line": line, "gauge_readings": readings, "certificates": certificates(gauges), "cautions": expired},
        (
            f"Line {line.name}: {fits}. Gauge: {line.gauge or 'none named'}. {count(readings, 'reading')}.",
            *certificate_lines(gauges),
            *map(Warn, expired),
            Table(heads, rows, right=heads[1:]),
            "\nMinutes to settle after a change of 10 °C (18 °F).",
            *shared_words(line, lines),
            *(
                f"The {kind} stands there since {since_words(since)}: readings of the one before do not count."
                for kind in MACHINE_KINDS
                if (since := line.machine(kind).since) is not None
            ),
            *known,
        ),
        (f"doe gauge show {quoted(name)}",),
    )


@command("line machines")
def machines(desk: Desk, name: str | None = None) -> Reply:
    """List every oven and press once, with its readings and the lines made of it, or show one."""
    with desk.look() as book:
        found = machine_records(book)
        asked = None if name is None else next(m for m in found if m.use == machine_meant(book, name))
    if not found:
        return Reply({"machines": []}, ("No line is in the book yet.",), ("doe line add --help",))
    if asked is None:
        rows = [machine_cells(m.use, m.counting, m.newest) for m in found]
        heads = ("machine", "kind", "of", "there since", "readings", "newest")
        return Reply(
            {"machines": found},
            (f"{count(len(found), 'machine')}.", Table(heads, rows, right=("readings",), is_list=True)),
            (f"doe line machines {quoted(found[0].use.machine.name)}",),
        )
    use, line = asked.use, quoted(asked.use.keeper)
    force = in_force([k.reading for k in asked.readings if not k.withdrawn])
    maps = (
        *((f"doe gauge map {line} --machine {use.kind}",) if asked.places > PLACES_OF_MAP else ()),
        *(
            f"doe gauge map {line} --platen {quoted(p)}"
            for p, places in asked.platens.items()
            if places > PLACES_OF_MAP
        ),
    )
    gauged = (
        f"doe gauge add {quoted(use.machine.name)} --set 150 --measured 146",
        *(maps or (f"doe gauge show {line}",)),
    )
    return Reply(
        {"machines": (asked,)},
        (
            *machine_told(use.machine.name, use.kind, use.lines, use.machine.since),
            *reading_lines(use.kind, use.machine.name, asked.counting, asked.newest),
            *platen_lines(asked.platens),
            *former_told(use.kind, len(asked.former)),
            *certificate_lines((asked.gauge,)),
            *(("", readings_table(asked.readings, set(force), desk.shown)) if asked.readings else ()),
        ),
        gauged if use.lines else (f"doe line move {quoted(use.machine.name)} --help",),
    )


PLACES_OF_MAP = 2
"""A map is drawn of more places than these."""


@command("line move")
def move(desk: Desk, name: str, line: str, machine: str | None = None, since: str = "", why: str = "") -> Reply:
    """Put a machine on another line with all its readings; those of the one that stood there stay its own."""
    refuse_without_why("--why", why, "Say why it is moved.")
    with desk.open() as book:
        was = machine_meant(book, name, machine)
        made = move_machine(book, was, line, since, why)
        shares = made.shares(was.kind, book.lines())
    left = tuple(each for each in was.lines if each not in (made.name, *shares))
    return Reply(
        {"line": made, "machine": made.machine(was.kind), "left": left},
        moved_told(was.kind, made.machine(was.kind).name, made.name, left),
        (f"doe gauge show {quoted(made.name)}", "doe line machines"),
    )


@command("line rename")
def rename(desk: Desk, name: str, new: str, machine: str | None = None, why: str = "") -> Reply:
    """Give an oven or a press another name; its readings stay its own."""
    refuse_without_why("--why", why, "Say why it is called otherwise.")
    with desk.open() as book:
        was = machine_meant(book, name, machine)
        new = rename_machine(book, was, new, why)
    return Reply(
        {"machine": new, "was": was.machine.name, "kind": was.kind},
        (f"The {was.kind} {was.machine.name} is called {new} from now on, on every line that is made of it.",),
        (f"doe line machines {quoted(new)}",),
    )
