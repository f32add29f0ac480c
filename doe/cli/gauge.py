"""`doe gauge list` and `withdraw`: the readings themselves, without the numerics that say what they mean."""

from __future__ import annotations

from collections.abc import Sequence, Set
from datetime import date

from doe.acts.base import today
from doe.acts.conditions import certificate_cautions, certificates, certified_gauges
from doe.book.book import Book
from doe.book.records import KeptReading
from doe.cli.desk import Block, Desk, Reply, Table, Warn, command
from doe.domain.errors import InputError, quoted
from doe.domain.gauge import MACHINE_KINDS, USUAL_INTERVAL_DAYS, GaugeReading, MachineKind, in_force
from doe.domain.jsonable import packaged_table
from doe.domain.stack import Line
from doe.domain.units import SYMBOLS, Shown
from doe.words.conditions import certificate_lines
from doe.words.facts import Reader, all_worded
from doe.words.wording import count, day, listing

CAUTIONS = packaged_table("said_of_gauges")["cautions"]
"""Read without the words of the gauges, which load the numerics."""


def line_meant(book: Book, name: str | None) -> Line:
    """The line of that name; without one the only line in the book.

    Raises
    ------
    InputError
        If there is no such line, or none is named and there are several.
    """
    if name is not None:
        return book.line(name)
    known = book.lines()
    if len(known) != 1:
        allowed = ", ".join(line.name for line in known[:10]) or "a line (there is none yet)"
        raise InputError("line", "none named", allowed, "Name it." if known else "Add one: doe line add --help")
    return known[0]


@command("gauge list")
def list_readings(desk: Desk, line: str | None = None) -> Reply:
    """List the readings of a line, the withdrawn ones too, and the newest day of each machine."""
    with desk.look() as book:
        known = line_meant(book, line)
        line = known.name
        kept, lines = book.gauge_history(known.name), book.lines()
        gauges = certified_gauges(book, known.name, today())
        expired = all_worded(certificate_cautions(book, known.name, today()), CAUTIONS, Reader(desk.shown))
    if not kept:
        nothing: list[Block] = [
            f"No gauge reading of {line} yet.",
            *certificate_lines(gauges),
            *map(Warn, expired),
        ]
        reply = {"readings": [], "machines": [], "cautions": expired, "certificates": certificates(gauges)}
        return Reply(reply, nothing, ("doe gauge add --help",))
    machines: list[dict[str, object]] = []
    said: list[Block] = []
    counting: set[GaugeReading] = set()
    for kind in MACHINE_KINDS:
        name = known.machine(kind).name
        force = in_force([k.reading for k in kept if k.reading.machine == kind and not k.withdrawn])
        newest = max((r.taken_at.date() for r in force if r.taken_at is not None), default=None)
        shared = known.shares(kind, lines)
        machines.append({"machine": kind, "name": name, "readings": len(force), "newest": newest, "shared": shared})
        name += f" (that of {listing(shared)} too)" if shared else ""
        said += machine_lines(kind, name, len(force), newest)
        counting.update(force)
    heading = f"\n{count(len(kept), 'reading')}, temperatures in {SYMBOLS[desk.shown.temperature]}:"
    return Reply(
        {"readings": kept, "machines": machines, "cautions": expired, "certificates": certificates(gauges)},
        (
            *said,
            *certificate_lines(gauges),
            *map(Warn, expired),
            heading,
            readings_table(kept, counting, desk.shown),
        ),
        (f"doe gauge show {quoted(line)}",),
    )


def machine_lines(kind: MachineKind, name: str, readings: int, newest: date | None) -> list[Block]:
    """One machine in a list: how many readings count, of which day the newest is, and whether that is long ago."""
    if newest is None:
        return [f"The {kind}, {name}: no reading in force."]
    said = f"The {kind}, {name}: {count(readings, 'reading')} in force, the newest of {day(newest)}."
    if (today() - newest).days <= USUAL_INTERVAL_DAYS:
        return [said]
    return [said, Warn(f"Out of date: the {kind} was last measured more than {USUAL_INTERVAL_DAYS} days ago.")]


def readings_table(kept: Sequence[KeptReading], counting: Set[GaugeReading], units: Shown) -> Table:
    """Every reading, the newest first, with why it does not count where it does not."""

    def bare(degc: float | None) -> str:
        return "" if degc is None else f"{units.value(degc, 'degC'):.4g}"

    def state(k: KeptReading) -> str:
        said = f"withdrawn: {k.withdrawn}" if k.withdrawn else "" if k.reading in counting else "for the drift only"
        return "; ".join(part for part in (k.reading.tool, said) if part)

    rows = [
        (
            str(k.id),
            k.reading.machine,
            bare(k.reading.set_degc),
            bare(k.reading.shown_degc),
            bare(k.reading.measured_degc),
            k.reading.spot,
            day(k.reading.taken_at or k.at),
            state(k),
        )
        for k in reversed(kept)  # what a short screen cuts off is the oldest
    ]
    heads = ("no.", "machine", "set", "shown", "measured", "place", "taken", "gauge")
    return Table(heads, rows, right=("no.", "set", "shown", "measured", "taken"), is_list=True)


@command("gauge withdraw")
def withdraw(desk: Desk, number: int, why: str) -> Reply:
    """Take a mistaken reading back; it stays visible with the reason."""
    with desk.open(create=False) as book:
        book.withdraw_gauge_reading(number, why)
    return Reply(
        {"withdrawn": number, "why": why},
        (f"Reading {number} no longer counts; it stays visible.",),
        ("doe line list",),
    )
