"""Machines of lines: since when one stands there. Loads no numerics."""

from __future__ import annotations

from datetime import datetime, timedelta

from doe.book.book import Book
from doe.domain.errors import InputError
from doe.domain.gauge import MachineKind
from doe.words.typed import beginning, is_bare_day
from doe.words.wording import count, day_and_time


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
