"""Transactions: one for looking, one for writing, and the act (who, when, why) behind everything written."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from doe.book import place as places
from doe.book import schema
from doe.book.engine import WRITES, make_engine, words_for_errors
from doe.book.place import Place
from doe.book.tables import acts, book_info
from doe.book.text import stamp
from doe.domain.errors import InputError
from doe.domain.texts import NAME_LENGTH, check_line, check_note


@dataclass(frozen=True)
class Writing:
    """A transaction that writes, with who does it and when."""

    connection: sa.Connection
    who: str
    at: str

    def act(self, verb: str, subject: str, *, rows: int, study_id: int | None = None, why: str = "") -> int:
        """Note an act that adds ``rows`` rows; returns its id, which every one of those rows carries."""
        check_note(why, "why")
        row = acts.insert().values(
            at=self.at, who=self.who, verb=verb, subject=subject, study_id=study_id, why=why.strip(), rows_added=rows
        )
        return new_id(self.connection, row)


def new_id(connection: sa.Connection, insert: sa.Insert) -> int:
    """Insert one row; returns its id."""
    key = connection.execute(insert).inserted_primary_key
    assert key is not None
    return int(key[0])


def insert_all(connection: sa.Connection, table: sa.Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert many rows of one shape."""
    if rows:
        connection.execute(table.insert(), list(rows))


class Store:
    """An open book: its engine, who uses it, and its clock."""

    def __init__(self, place: Place, engine: sa.Engine, who: str, clock: Callable[[], datetime]) -> None:
        self.place = place
        self.who = who
        self.upgraded_from: Path | None = None
        self._engine = engine
        self._clock = clock
        self._journal_kept = False
        self.stored = 0

    def now(self) -> str:
        """The time as the book keeps it."""
        return stamp(self._clock())

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """One consistent look at the book."""
        with words_for_errors(self.place.label), self._engine.connect() as connection:
            if connection.dialect.name == "postgresql":  # a file gives one consistent look by itself
                connection.execution_options(isolation_level="REPEATABLE READ")
            look = connection.begin()
            try:
                yield connection
            finally:
                look.rollback()  # nothing to keep

    @contextmanager
    def writing(self) -> Iterator[Writing]:
        """One transaction, the only one that writes: all of it is stored, or none."""
        with words_for_errors(self.place.label):
            if not self._journal_kept and self.place.path is not None:
                schema.keep_journal(self._engine)
                self._journal_kept = True
            with self._engine.connect().execution_options(**{WRITES: True}) as connection, connection.begin():
                # On a server this row is the turn to write, as BEGIN IMMEDIATE is in a file.
                connection.execute(sa.select(book_info.c.id).with_for_update())
                yield Writing(connection, self.who, self.now())
            self.stored += 1

    def close(self) -> None:
        """Let go of every connection."""
        self._engine.dispose()


def open_store(
    target: str | Path | None,
    *,
    who: str,
    create: bool,
    upgrade: bool | None,
    clock: Callable[[], datetime] | None,
) -> Store:
    """Open or make a book; see `doe.book.book.Book.open`."""
    if not who.strip():
        raise InputError("who", "nothing", "a name", "Say who is doing this; the book keeps it with every entry.")
    check_line(who, "who", longest=NAME_LENGTH)
    place = places.find_place(target)
    if place.path is not None:
        places.check_file(place.path, create=create)
    clock = clock or (lambda: datetime.now(UTC))
    store = Store(place, make_engine(place), who.strip(), clock)

    def prepare() -> None:
        with words_for_errors(place.label):
            store.upgraded_from = schema.prepare(
                store._engine, place, create=create, upgrade=upgrade, who=store.who, now=store.now
            )

    try:
        prepare()
    except InputError:
        store.close()
        if not _is_frozen(place):
            raise
        store._engine = make_engine(place, frozen=True)
        try:
            prepare()
        except BaseException:
            store.close()
            raise
    except BaseException:
        store.close()
        raise
    return store


def _is_frozen(place: Place) -> bool:
    """Whether a book can only be looked at: SQLite makes two small files beside a book, and here it cannot.

    A log left beside it may hold entries that are not in the file yet; then looking would show an older state.
    """
    path = place.path
    if path is None or not path.is_file() or not path.stat().st_size:
        return False
    if os.access(path.parent, os.W_OK, effective_ids=os.access in os.supports_effective_ids):
        return False
    log = path.with_name(path.name + "-wal")
    return not (log.exists() and log.stat().st_size)
