"""Machines of lines: each with its own readings, where it stands and since when. Loads no numerics."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from itertools import chain
from itertools import count as count_from

from doe.acts.conditions import gauge_of
from doe.book.book import Book
from doe.book.definitions import PUT_BY
from doe.book.records import KeptReading
from doe.domain.errors import NAME_LENGTH, InputError, quoted
from doe.domain.gauge import MACHINE_KINDS, Certificate, Gauge, MachineKind, in_force, platens_of
from doe.domain.stack import DEFAULT_OVEN, DEFAULT_PRESS, Line, Machine, MachineUse, Stay, machines_of
from doe.words.conditions import former_name, later_than
from doe.words.typed import beginning, is_bare_day
from doe.words.wording import count, day_and_time, listing


def began(book: Book, line: str, kind: MachineKind, text: str, where: str) -> datetime:
    """Since when another machine stands in a line; a bare day counts from its first minute.

    Raises
    ------
    InputError
        If it is no past time, one at which an earlier machine had not come yet, or a bare day on which readings were
        taken: nobody could tell of which machine they are.
    """
    when = beginning(text, where)
    there = next((x.machine(kind) for x in book.lines() if x.name == line), None)
    if there is None or there.since == when:
        return when
    if when <= (newest := _last_start(book, line, kind)):
        raise InputError(where, repr(text), later_than(newest), "Name a later time.")
    if not is_bare_day(text):
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


def _last_start(book: Book, line: str, kind: MachineKind) -> datetime:
    """When the last machine came to a line that stands there no longer."""
    there = book.line(line)
    here = there.stays(kind)[-1] if there.machine(kind).of is None else None
    stays = (stay for use in machines(book) if use.kind == kind for stay in use.stays)
    return max((stay.start for stay in stays if stay.line == there.name and stay != here), default=Stay("").start)


def another(line: Line, kind: MachineKind, name: str, since: datetime) -> tuple[Line, Machine | None]:
    """A line with a new machine since then, and the one whose place it took, which is put by.

    A moment no later than that of which the machine there was said to come puts that right.
    """
    there = line.machine(kind)
    if there.of is None and there.since is not None and since <= there.since:
        return line.having(kind, replace(there, since=since, name=name or there.name)), None
    return line.with_new(kind, name, since), None if there.of else line.taken_off(kind, since)


def shared(book: Book, line: Line, kind: MachineKind, of: str) -> tuple[Line, Machine | None]:
    """A line with the machine of another one, and the one of its own that leaves it and is put by.

    None leaves where the line shared one before, and where nothing was read of its own, which is called the same.
    """
    there, made = line.machine(kind), line.sharing(kind, book.line(of))
    if there.of is not None:
        return made, None
    own = there.name.casefold() != made.machine(kind).name.casefold() and _is_named(there, kind)
    is_known = own or any(use.keeper == line.name and book.machine_history(use) for use in _standing(book, kind))
    return made, line.taken_off(kind, datetime.now(UTC)) if is_known else None


def of_its_own(book: Book, line: Line, kind: MachineKind, name: str) -> Line:
    """A line that shared a machine with one of its own, which came now where it had another one before."""
    stood = any(stay.line == line.name for use in machines(book) if use.kind == kind for stay in use.stays)
    return line.with_new(kind, name, datetime.now(UTC) if stood else None)


def _standing(book: Book, kind: MachineKind) -> tuple[MachineUse, ...]:
    return tuple(use for use in machines_of(book.lines()) if use.kind == kind)


def keep_with(book: Book, line: Line, left: Mapping[MachineKind, Machine | None], why: str) -> dict[MachineKind, str]:
    """Keep a line as it is now, and put by the machines that left it, each under a name of its own.

    Returns
    -------
    dict
        What each machine that was put by is called now, by its kind.

    Raises
    ------
    InputError
        If a machine gets the name of one that was put by, of which nobody could tell it then.
    """
    with book.writing():
        before = next((each for each in book.lines() if each.name == line.name), None)
        waiting = {use.machine.name.casefold(): use.machine.name for use in book.machines_put_by().values()}
        for kind in MACHINE_KINDS:
            machine = line.machine(kind)
            known = before is not None and before.machine(kind).name == machine.name
            if machine.of is None and not known and (name := waiting.get(machine.name.casefold())):
                raise InputError(
                    f"{kind} of {line.name}",
                    repr(machine.name),
                    "a name that no machine has which is on no line",
                    f"If it is that one: doe line move {quoted(name)} {quoted(line.name)}; else choose another name.",
                )
        book.save_line(line, why)
        gone = {kind: machine for kind, machine in left.items() if machine is not None and machine.before is not None}
        return {kind: _put_by(book, kind, machine) for kind, machine in gone.items()}


def _put_by(book: Book, kind: MachineKind, machine: Machine) -> str:
    taken = {use.machine.name.casefold() for use in machines(book)}
    own = [machine.name] if _is_named(machine, kind) else []  # the next line begins with one of the usual name
    names = chain(own, (former_name(machine.name, n) for n in count_from(1)))
    name = next(each for each in names if each.casefold() not in taken)[-NAME_LENGTH:]
    book.save_note(PUT_BY, name, {"kind": kind, "machine": replace(machine, name=name)})
    return name


def machines(book: Book) -> tuple[MachineUse, ...]:
    """Every machine of the shop once: those that lines are made of, then those put by."""
    return (*machines_of(book.lines()), *book.machines_put_by().values())


def move(book: Book, use: MachineUse, to: str, since: str, why: str, where: str = "--since") -> Line:
    """Put a machine with all that was read of it on another line; returns that line as it is now.

    The one that stood there is put by; where this one stood there is one from then on of which nothing is known.

    Parameters
    ----------
    since : str
        Since when, as typed; from now on where nothing is.

    Raises
    ------
    InputError
        If it stands there, or had not come yet to where it is now.
    """
    line = book.line(to)
    kind, moment, there = use.kind, datetime.now(UTC), line.machine(use.kind)
    if use.lines and line.name == use.keeper:
        if not since.strip():  # nothing to do
            return line
        raise InputError("line", to, f"another one than {line.name}, where it stands", "Name the line it goes to.")
    if since.strip():
        moment = max(began(book, each, kind, since, where) for each in filter(None, (line.name, use.keeper)))
    came = max((stay.start for stay in use.stays[:-1]), default=Stay("").start)
    if _is_named(there, kind) and there.since is not None:
        came = max(came, there.since)
    if moment <= came:
        raise InputError(where, repr(since), later_than(came), "Name a later time.")
    with book.writing():
        if use.lines:
            home = book.line(use.keeper)
            machine = home.taken_off(kind, moment)
            book.save_line(home.with_new(kind, "", moment), why)
        else:
            machine = _taken_up(book, use, why)
        left = None if there.of else line.taken_off(kind, moment)
        *earlier, last = machine.before or (Stay(""),)
        # it never left where nothing stood in between: so a mistaken move is put right
        is_back = last.line == line.name and left is not None and left.before is None
        if is_back and last.start == _last_start(book, line.name, kind):
            machine = replace(machine, since=last.since, before=tuple(earlier) or None)
        else:
            machine = replace(machine, since=moment)
        keep_with(book, line.having(kind, machine), {kind: left}, why)
    return book.line(to)


def _taken_up(book: Book, use: MachineUse, why: str) -> Machine:
    """A machine that was put by and is no longer."""
    book.withdraw_note(next(number for number, each in book.machines_put_by().items() if each == use), why)
    return use.machine


def _is_named(machine: Machine, kind: MachineKind) -> bool:
    return machine.name.partition(",")[0] != (DEFAULT_OVEN if kind == "oven" else DEFAULT_PRESS).name


def rename(book: Book, use: MachineUse, name: str, why: str) -> str:
    """Give a machine another name, on every line that is made of it; returns that name.

    Raises
    ------
    InputError
        If another machine has that name.
    """
    new = name.strip()
    if not new:
        raise InputError("machine name", "nothing", "a name", "Say what it is called.")
    if any(other.machine.name.casefold() == new.casefold() for other in machines(book) if other != use):
        raise InputError("machine name", repr(new), "a name that no other machine has", "Choose another name.")
    with book.writing():
        named = replace(use.machine, name=new)
        if use.lines:
            book.save_line(book.line(use.keeper).having(use.kind, named), why)
        else:
            _taken_up(book, use, why)
            _put_by(book, use.kind, named)
    return new


@dataclass(frozen=True)
class MachineRecord:
    """An oven or a press by itself.

    ``use`` says which lines are made of it; ``readings`` are its own, the withdrawn ones too, as stored, and ``former``
    those of machines that stood there before; ``counting`` of them are in force, the newest of the day ``newest``;
    ``places`` is at how many places it was read; ``gauge`` the one it is read with, and ``certificate`` that one's;
    ``platens`` are those that readings name, each with how many of its places were read.
    """

    use: MachineUse
    readings: tuple[KeptReading, ...]
    former: tuple[KeptReading, ...]
    counting: int
    newest: date | None
    places: int
    certificate: Certificate | None
    gauge: Gauge
    platens: Mapping[str, int]


def machine_records(book: Book) -> tuple[MachineRecord, ...]:
    """Every machine of the shop once; none of those put by of which nothing was ever known."""
    found = (_record(book, use) for use in machines(book))
    return tuple(one for one in found if one.use.lines or one.readings or _is_named(one.use.machine, one.use.kind))


def _record(book: Book, use: MachineUse) -> MachineRecord:
    own = book.machine_history(use)
    there = book.readings_kept(use.keeper, use.kind) if use.lines else ()
    former = tuple(k for k in there if k not in own)
    force = in_force([k.reading for k in own if not k.withdrawn])
    newest = max((r.taken_at.date() for r in force if r.taken_at is not None), default=None)
    places = len({r.place for r in force if r.platen is None})
    platens = {
        name: len({r.place for r in force if r.platen is not None and r.platen.strip().casefold() == name.casefold()})
        for name in platens_of(force)
    }
    read_with = book.read_with(use.keeper, use.kind) if use.lines else use.stays[-1].line
    gauge = gauge_of(book, read_with)
    return MachineRecord(use, own, former, len(force), newest, places, gauge.certificate, gauge, platens)


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
    found = [use for use in machines(book) if use.machine.name.casefold() == squeezed]
    if len(found) > 1:
        allowed = listing([f"that of {use.keeper}" for use in found], "or")
        raise InputError("machine", repr(name), allowed, "Name its line, and which machine: --machine oven or press.")
    return found[0] if found else None


def machine_meant(book: Book, name: str, kind: str | None = None) -> MachineUse:
    """The machine of that name, or that of a kind of the line of that name.

    Raises
    ------
    InputError
        If there is none, or several.
    """
    if (use := machine_called(book, name)) is not None:
        if kind not in (None, use.kind):
            raise InputError("--machine", kind, f"{use.kind}, which {use.machine.name} is", "Leave it out.")
        return use
    if kind is None:
        names = listing(list(dict.fromkeys(each.machine.name for each in machines(book))), "or")
        raise InputError("machine", repr(name), names or "nothing: no line is there", "Name one, or its line and kind.")
    line = book.line(name)
    found = (use for use in machines_of(book.lines()) if use.kind == kind and line.name in use.lines)
    if (of_line := next(found, None)) is None:
        raise InputError("--machine", kind, "oven or press", "Choose one.")
    return of_line
