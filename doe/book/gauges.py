"""Gauge readings of a line."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import sqlalchemy as sa

from doe.book.definitions import find_line
from doe.book.records import KeptReading
from doe.book.store import Writing, new_id
from doe.book.tables import acts, gauge_readings
from doe.book.text import from_text, moment_of, stamp, to_text
from doe.domain.errors import InputError
from doe.domain.gauge import GaugeReading


def add(writing: Writing, line_name: str, reading: GaugeReading) -> int:
    """Keep a reading, once; returns its id."""
    find_line(writing.connection, line_name)
    data = to_text(replace(reading, taken_at=reading.taken_at or moment_of(writing.at)))
    same = writing.connection.scalar(
        sa.select(gauge_readings.c.id).where(
            gauge_readings.c.line_name == line_name,
            gauge_readings.c.data == data,
            gauge_readings.c.withdraws.is_(None),
            ~_is_withdrawn(),
        )
    )
    if same is not None:
        return int(same)
    act = writing.act("add gauge reading", line_name, rows=1)
    return new_id(writing.connection, gauge_readings.insert().values(line_name=line_name, data=data, act_id=act))


def withdraw(writing: Writing, reading_id: int, why: str) -> None:
    """Take a mistaken reading back.

    Raises
    ------
    InputError
        If there is no such reading, it is withdrawn already, or there is no why.
    """
    where = f"gauge reading {reading_id}"
    row = writing.connection.execute(
        sa.select(gauge_readings.c.line_name, gauge_readings.c.data, _is_withdrawn().label("gone")).where(
            gauge_readings.c.id == reading_id, gauge_readings.c.withdraws.is_(None)
        )
    ).one_or_none()
    if row is None or row.gone:
        found = "no such reading" if row is None else "a reading that is withdrawn already"
        raise InputError(where, found, "a reading that counts", "Look up its number in the list of readings.")
    if not why.strip():
        raise InputError(where, "no reason", "a reason", "Say why the reading does not count.")
    act = writing.act("withdraw gauge reading", row.line_name, rows=1, why=why)
    writing.connection.execute(
        gauge_readings.insert().values(line_name=row.line_name, data=row.data, withdraws=reading_id, act_id=act)
    )


def history(connection: sa.Connection, line_name: str) -> tuple[KeptReading, ...]:
    """Every reading of a line in the order they were stored."""
    find_line(connection, line_name)
    rows = connection.execute(
        sa.select(
            gauge_readings.c.id, gauge_readings.c.data, gauge_readings.c.withdraws, acts.c.who, acts.c.at, acts.c.why
        )
        .join(acts, gauge_readings.c.act_id == acts.c.id)
        .where(gauge_readings.c.line_name == line_name)
        .order_by(gauge_readings.c.id)
    ).all()
    gone = {row.withdraws: row.why for row in rows if row.withdraws is not None}
    return tuple(
        KeptReading(row.id, reading_from(from_text(row.data)), row.who, moment_of(row.at), gone.get(row.id, ""))
        for row in rows
        if row.withdraws is None
    )


def reading_from(data: dict[str, Any]) -> GaugeReading:
    """Reading of its stored dictionary."""
    return GaugeReading(**{**data, "taken_at": moment_of(data["taken_at"])})


def taken_order(kept: KeptReading) -> tuple[str, int]:
    """Sorts readings by when they were taken."""
    assert kept.reading.taken_at is not None
    return stamp(kept.reading.taken_at), kept.id


def _is_withdrawn() -> sa.ColumnElement[bool]:
    later = gauge_readings.alias("later_readings")
    return sa.exists().where(later.c.withdraws == gauge_readings.c.id)
