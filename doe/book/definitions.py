"""Stacks, lines and the readings of their gauges: kept by name, corrected or withdrawn by a later row."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time
from typing import Any

import sqlalchemy as sa

from doe.book.gauges import gauges_in, sized
from doe.book.records import KeptReading
from doe.book.store import Store, called, standing, unknown
from doe.book.tables import gauge_readings, is_current, lines, shop_notes, stacks, to_text
from doe.domain.errors import InputError
from doe.domain.gauge import MACHINE_KINDS, Gauge, GaugeReading, MachineKind
from doe.domain.serial import from_plain, line_from, stack_from
from doe.domain.stack import Line, Machine, MachineUse, Stack, Stay

PUT_BY = "machine put by"
"""Topic of the notes of machines that are on no line; withdrawn when one is put on a line again."""


def _current(connection: sa.Connection, table: sa.Table, name: str) -> sa.Row[Any] | None:
    return connection.execute(sa.select(table).where(table.c.name == name, is_current(table))).one_or_none()


def find_definition(connection: sa.Connection, table: sa.Table, name: str) -> sa.Row[Any]:
    """Current row of a stack or a line, found in any case and by a part of its name."""
    row = _current(connection, table, name)
    if row is None:
        kind = table.name.removesuffix("s")
        names = list(connection.scalars(sa.select(table.c.name).where(is_current(table)).order_by(table.c.name)))
        meant = called(kind, name, names)
        row = None if meant is None else _current(connection, table, meant)
    if row is None:
        raise unknown(kind, name, names, f"Check the name, or add the {kind} first.")
    return row


def _resolved(connection: sa.Connection, line: Line) -> Line:
    """The line with each shared machine as it is known now where it is kept, however many lines hand it on.

    Raises
    ------
    InputError
        If the line that a machine is of is not in the book, or is made of this one's.
    """
    for kind in MACHINE_KINDS:
        keeper, seen = line, [line.name]
        while (of := keeper.machine(kind).of) is not None:
            keeper = line_from(find_definition(connection, lines, of).data)
            if keeper.name in seen:
                found = f"that of {keeper.name}, which is its own"
                raise InputError(f"{kind} of {line.name}", found, "another line's", "Leave it out.")
            seen.append(keeper.name)
        if keeper is not line:
            gauge, known = line.gauge, line.gauge_u_degc
            line = replace(line.sharing(kind, keeper), gauge=gauge, gauge_u_degc=known)
    return line


def _line(connection: sa.Connection, name: str) -> Line:
    return _read(connection, find_definition(connection, lines, name).data)


def _read(connection: sa.Connection, data: dict[str, Any]) -> Line:
    """A line with all that is known now of its machines and its gauge."""
    return sized(connection, _resolved(connection, line_from(data)))


def reading_from(data: dict[str, Any]) -> GaugeReading:
    """Reading of its stored dictionary."""
    return GaugeReading(**{**data, "taken_at": datetime.fromisoformat(data["taken_at"])})


class Definitions(Store):
    """The part of the book about stacks, lines and gauges."""

    def save_stack(self, stack: Stack, why: str = "") -> None:
        """Keep a stack; one of that name that differs is a correction and needs a ``why``."""
        self._define(stacks, stack, why)

    def save_line(self, line: Line, why: str = "") -> None:
        """Keep a line; one of that name that differs is a correction and needs a ``why``.

        A machine that is ``of`` another line is that line's, with all that is known of it and all its readings; what
        is said of a gauge that other lines name too is said of it on all of them.
        """
        with self.writing() as writing:
            made = _resolved(writing.connection, line)
            made = sized(writing.connection, made) if made.gauge_u_degc is None else made
            old = _current(writing.connection, lines, line.name)
            if old is None or _read(writing.connection, old.data) != made:
                self._define(lines, made, why)

    def _define(self, table: sa.Table, thing: Stack | Line, why: str) -> None:
        kind = table.name.removesuffix("s")
        if not thing.name.strip():
            raise InputError(f"{kind} name", "nothing", "a name", "Name it in the shop's words.")
        with self.writing() as writing:
            old = _current(writing.connection, table, thing.name)
            if old is not None:
                if to_text(old.data) == to_text(thing):
                    return
                if not why.strip():
                    raise InputError(
                        f"{kind} {thing.name}",
                        f"other details than are kept: {_differences(old.data, thing)}",
                        "the same details, or a reason",
                        "Say why it is corrected, or use a name of its own.",
                    )
            act = writing.act(f"correct {kind}" if old else f"add {kind}", thing.name, why=why)
            row = {"name": thing.name, "data": thing, "supersedes": old.id if old else None}
            writing.add(table, row, act)

    def stacks(self) -> tuple[Stack, ...]:
        """Every stack as it stands now, by name."""
        return tuple(map(stack_from, self._defined(stacks)))

    def lines(self) -> tuple[Line, ...]:
        """Every line as it stands now, by name."""
        return self.kept(
            "lines", ("rest",), lambda connection: tuple(_read(connection, data) for data in self._defined(lines))
        )

    def gauges(self) -> tuple[Gauge, ...]:
        """Every gauge of the shop once, by name."""
        return self.kept("gauges", ("rest",), lambda connection: gauges_in(connection, self.lines()))

    def _defined(self, table: sa.Table) -> list[dict[str, Any]]:
        with self.reading() as connection:
            return list(connection.scalars(sa.select(table.c.data).where(is_current(table)).order_by(table.c.name)))

    def stack(self, name: str) -> Stack:
        """The stack of that name."""
        with self.reading() as connection:
            return stack_from(find_definition(connection, stacks, name).data)

    def line(self, name: str) -> Line:
        """The line of that name."""
        return self.kept(("line", name), ("rest",), lambda connection: _line(connection, name))

    def add_gauge_reading(self, line_name: str, reading: GaugeReading) -> int:
        """Keep a reading, once; returns its id."""
        with self.writing() as writing:
            line_name = _line(writing.connection, line_name).keeper(reading.machine)
            row = {"line_name": line_name, "data": replace(reading, taken_at=reading.taken_at or writing.at)}
            same = (gauge_readings.c[name] == value for name, value in row.items())
            for kept in writing.connection.execute(standing(gauge_readings).where(*same)):
                if not kept.withdrawn:
                    return int(kept.id)
            return writing.add(gauge_readings, row, writing.act("add gauge reading", line_name))

    def gauge_readings(self, line_name: str) -> tuple[GaugeReading, ...]:
        """The readings of a line that count, oldest first."""
        counting = [kept for kept in self.gauge_history(line_name) if not kept.withdrawn]
        return tuple(kept.reading for kept in sorted(counting, key=_taken_order))

    def gauge_history(self, line_name: str, on: date | None = None) -> tuple[KeptReading, ...]:
        """Every reading of a line's machines, the withdrawn ones too, in the order they were stored.

        Of the machines that stand there now, or stood there on a day; what was read of them elsewhere is among them.
        """

        def read(connection: sa.Connection) -> tuple[KeptReading, ...]:
            line = _line(connection, line_name)
            found = [
                kept
                for kind in MACHINE_KINDS
                for _, kept in self._of_machine(
                    connection, kind, self._standing(connection, line, kind, on), line.stays(kind)[-1]
                )
            ]
            return tuple(sorted(found, key=lambda kept: kept.id))

        return self.kept(("readings", line_name, on), ("rest",), read)

    def machine_history(self, use: MachineUse) -> tuple[KeptReading, ...]:
        """Every reading of one machine, wherever it was taken, as stored."""
        with self.reading() as connection:
            here = use.stays[-1] if use.lines else None
            return tuple(kept for _, kept in self._of_machine(connection, use.kind, use.stays, here))

    def read_with(self, line_name: str, kind: MachineKind) -> str:
        """The line whose gauge a machine was read with last: it may have come from there."""

        def read(connection: sa.Connection) -> str:
            line = _line(connection, line_name)
            if line.machine(kind).before is None:
                return line.keeper(kind)
            kept = self._of_machine(connection, kind, line.stays(kind), line.stays(kind)[-1])
            last = max((k for k in kept if not k[1].withdrawn), key=lambda k: _taken_order(k[1]), default=None)
            return line.keeper(kind) if last is None else last[0]

        return self.kept(("read with", line_name, kind), ("rest",), read)

    def machines_put_by(self) -> Mapping[int, MachineUse]:
        """Machines that are on no line, by the numbers of their notes."""
        with self.reading() as connection:
            rows = connection.execute(standing(shop_notes).where(shop_notes.c.topic == PUT_BY))
            return {
                row.id: MachineUse(row.data["kind"], from_plain(Machine, row.data["machine"]))
                for row in rows
                if not row.withdrawn
            }

    def _all_stays(self, connection: sa.Connection, kind: MachineKind) -> Iterator[tuple[Stay, ...]]:
        """Where each machine of a kind has stood."""
        for line in map(line_from, self._defined(lines)):
            if line.machine(kind).of is None:
                yield line.stays(kind)
        yield from (use.stays for use in self.machines_put_by().values() if use.kind == kind)

    def _standing(self, connection: sa.Connection, line: Line, kind: MachineKind, on: date | None) -> tuple[Stay, ...]:
        """Where the machine of a line that stands there, or stood there on a day, has stood."""
        if on is None or line.stands(kind, on):
            return line.stays(kind)
        day, there = datetime.combine(on, time.max, UTC), line.keeper(kind)
        found = [
            (stay.start, stays)
            for stays in self._all_stays(connection, kind)
            for stay in stays
            if stay.line == there and stay.start <= day
        ]
        return max(found, key=lambda each: each[0])[1] if found else (Stay(there),)

    def _of_machine(
        self, connection: sa.Connection, kind: MachineKind, stays: Sequence[Stay], here: Stay | None
    ) -> list[tuple[str, KeptReading]]:
        """Readings of the machine that stood in some places, each with the line that it was read on.

        Of ``here``, where it stands now, nothing has to be asked of others: nobody came later.
        """
        places = {stay.line for stay in stays}
        rows = connection.execute(standing(gauge_readings).where(gauge_readings.c.line_name.in_(places))).all()
        starts: dict[str, list[datetime]] = defaultdict(list)
        if rows and tuple(stays) != (here,):
            for stay in (stay for other in self._all_stays(connection, kind) for stay in other):
                starts[stay.line].append(stay.start)
        kept = ((r.line_name, KeptReading(r.id, reading_from(r.data), r.who, r.at, r.withdrawn)) for r in rows)
        return [
            (there, each)
            for there, each in kept
            if each.reading.machine == kind
            and _is_theirs([stay.start for stay in stays if stay.line == there], starts[there], each.reading.taken_at)
        ]

    def readings_kept(self, line_name: str, machine: MachineKind) -> tuple[KeptReading, ...]:
        """Every reading kept under a line of the machines of a kind that stood there, former ones too, as stored."""
        with self.reading() as connection:
            rows = connection.execute(standing(gauge_readings).where(gauge_readings.c.line_name == line_name))
            found = [KeptReading(r.id, reading_from(r.data), r.who, r.at, r.withdrawn) for r in rows]
        return tuple(kept for kept in found if kept.reading.machine == machine)

    def withdraw_gauge_reading(self, reading_id: int, why: str) -> None:
        """Take a mistaken reading back; it stays visible in `gauge_history`."""
        with self.writing() as writing:
            row, ending = writing.to_withdraw(gauge_readings, "gauge reading", reading_id, why)
            writing.add(gauge_readings, ending, writing.act("withdraw gauge reading", row.line_name, why=why))


def _is_theirs(mine: Sequence[datetime], everyones: Sequence[datetime], taken: datetime | None) -> bool:
    """Whether what was read then is of the machine that came to a place at these moments: nobody's came later."""
    when = taken or datetime.max.replace(tzinfo=UTC)
    came = max((start for start in mine if start <= when), default=None)
    return came is not None and not any(came < start <= when for start in everyones)


def _differences(before: dict[str, Any], thing: Stack | Line) -> str:
    after = json.loads(to_text(thing))
    return ", ".join(key for key in after if after[key] != before.get(key))


def _taken_order(kept: KeptReading) -> tuple[datetime, int]:
    """Sorts readings by when they were taken."""
    assert kept.reading.taken_at is not None
    return kept.reading.taken_at, kept.id
