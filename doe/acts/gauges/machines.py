"""Machines of lines: each with its own readings, where it stands and since when. Loads no numerics."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from doe.acts.conditions import certificate_of
from doe.book.book import Book
from doe.book.records import KeptReading
from doe.domain.errors import InputError
from doe.domain.gauge import Certificate, MachineKind, in_force
from doe.domain.stack import MachineUse, machines_of
from doe.words.typed import beginning, is_bare_day
from doe.words.wording import count, day_and_time, listing


def began(book: Book, line: str, kind: MachineKind, text: str, where: str) -> datetime:
    """Since when another machine stands in a line; a bare day counts from its first minute.

    Raises
    ------
    InputError
        If it is no past time, or a bare day on which readings were taken: nobody could tell of which machine they are.
    """
    when = beginning(text, where)
    there = next((x.machine(kind) for x in book.lines() if x.name == line), None)
    if there is None or there.since == when or not is_bare_day(text):
        return when
    taken = [k.reading.taken_at for k in book.readings_kept(line, kind) if not k.withdrawn]
    that_day = sorted(at for at in taken if at is not None and when <= at < when + timedelta(days=1))
    if not that_day:
        return when
    raise InputError(
        where,
        repr(text),
        f"the time as well, since {count(len(that_day), 'reading')} of the {kind} were taken that day, "
        f"{'at' if len(that_day) == 1 else 'the last at'} {day_and_time(that_day[-1], that_day[-1])}",
        f"Write {text.strip()}T12:00: readings taken before count for the {kind} that was there before.",
    )


@dataclass(frozen=True)
class MachineRecord:
    """An oven or a press by itself.

    ``use`` says which lines are made of it; ``readings`` are its own, the withdrawn ones too, as stored, and ``former``
    those of machines that stood there before; ``counting`` of them are in force, the newest of the day ``newest``;
    ``places`` is at how many places it was read; ``certificate`` that of the gauge it is read with.
    """

    use: MachineUse
    readings: tuple[KeptReading, ...]
    former: tuple[KeptReading, ...]
    counting: int
    newest: date | None
    places: int
    certificate: Certificate | None


def machine_records(book: Book) -> tuple[MachineRecord, ...]:
    """Every machine of the shop once, ovens first."""
    return tuple(_record(book, use) for use in machines_of(book.lines()))


def _record(book: Book, use: MachineUse) -> MachineRecord:
    kept, since = book.readings_kept(use.keeper, use.kind), use.machine.since
    former = tuple(
        k for k in kept if since is not None and k.reading.taken_at is not None and k.reading.taken_at < since
    )
    own = tuple(k for k in kept if k not in former)
    force = in_force([k.reading for k in own if not k.withdrawn])
    newest = max((r.taken_at.date() for r in force if r.taken_at is not None), default=None)
    places = len({r.place for r in force})
    return MachineRecord(use, own, former, len(force), newest, places, certificate_of(book, use.keeper))


def machine_called(book: Book, name: str) -> MachineUse | None:
    """The machine of that name, where no line and no other machine is called so.

    Raises
    ------
    InputError
        If several machines have that name.
    """
    squeezed = name.strip().casefold()
    if any(line.name.casefold() == squeezed for line in book.lines()):
        return None
    found = [use for use in machines_of(book.lines()) if use.machine.name.casefold() == squeezed]
    if len(found) > 1:
        allowed = listing([f"that of {use.keeper}" for use in found], "or")
        raise InputError("machine", repr(name), allowed, "Name its line, and which machine: --machine oven or press.")
    return found[0] if found else None
