"""Transactions: one for looking, one for writing, and the act (who, when, why) behind everything written."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self, TypeVar
from uuid import uuid4

import sqlalchemy as sa

from doe.book import chain, schema
from doe.book.engine import WRITES, Place, check_file, find_place, make_engine, take_turn, words_for_errors
from doe.book.memory import LAST, Kept, Kind, Memory, Snapshot, stamp_of
from doe.book.page_state import PageState
from doe.book.tables import acts, columns_of
from doe.domain.errors import NAME_LENGTH, InputError, check_line, check_note
from doe.domain.said import meant

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    Record = TypeVar("Record", bound=DataclassInstance)

T = TypeVar("T")


def records(kind: type[Record], rows: Iterable[sa.Row[Any]], **made: Callable[[Any], object]) -> tuple[Record, ...]:
    """Dataclasses of rows: each field is the column of its name, or what is made of it."""
    found = list(rows)
    names = [field.name for field in fields(kind)]
    places = [(name, found[0]._fields.index(name)) for name in names] if found else []  # looked up once, not per row
    values = ({name: row[place] for name, place in places} for row in found)
    return tuple(kind(**{**said, **{name: make(said[name]) for name, make in made.items()}}) for said in values)


def unknown(kind: str, key: object, names: Iterable[str], make: str) -> InputError:
    """The refusal of a name the book does not have, with the close ones."""
    known = list(names)
    close = get_close_matches(str(key), known, n=5, cutoff=0.5) or known[:5]
    allowed = ", ".join(close) if close else f"nothing yet: the book has no {kind}"
    return InputError(kind, repr(key), allowed, make)


def called(kind: str, text: str, names: Iterable[str]) -> str | None:
    """The one of some names that is meant: in any case, or by a part that no other name has; None where none is.

    Raises
    ------
    InputError
        If several may be meant; it names them.
    """
    found = meant(text, dict.fromkeys(names, ()))
    if len(found) > 1:
        raise InputError(kind, repr(text), ", ".join(found[:10]), "Several fit: write more of the name.")
    return found[0] if found else None


def again(table: sa.Table, row: sa.Row[Any]) -> dict[str, Any]:
    """What a row says, for a later one that says it again."""
    return {c.name: row._mapping[c.name] for c in columns_of(table) if c.name not in ("id", "uid", "act_id")}


def refuse_without_why(where: str, why: str, remedy: str) -> None:
    """Ask for a reason where none is given."""
    if not why.strip():
        raise InputError(where, "no reason", "a reason", remedy)


def standing(table: sa.Table) -> sa.Select[Any]:
    """Rows of a table in which one row may withdraw another: without the withdrawals, and without pictures.

    Beside its columns: who, at, and in ``withdrawn`` why the row counts no longer, ``""`` if it does.
    """
    later, undone = table.alias("later_row"), acts.alias("later_act")
    why = sa.select(undone.c.why).where(later.c.act_id == undone.c.id, later.c.withdraws == table.c.id)
    withdrawn = sa.func.coalesce(why.scalar_subquery(), "").label("withdrawn")
    return (
        sa.select(*columns_of(table), acts.c.who, acts.c.at, withdrawn)
        .join_from(table, acts, table.c.act_id == acts.c.id)
        .where(table.c.withdraws.is_(None))
        .order_by(table.c.id)
    )


_insert = cache(sa.Table.insert)


@dataclass(frozen=True)
class Writing:
    """A transaction that writes, with who does it and when."""

    connection: sa.Connection
    who: str
    at: datetime

    def act(self, verb: str, subject: str, *, rows: int = 1, study_id: int | None = None, why: str = "") -> int:
        """Note an act that adds ``rows`` rows; returns its id, which every one of those rows carries."""
        check_note(why, "why")
        row = {"verb": verb, "subject": subject, "study_id": study_id, "why": why.strip(), "rows_added": rows}
        return self.add(acts, {"at": self.at, "who": self.who, **row})

    def add(self, table: sa.Table, row: Mapping[str, Any], act: int | None = None) -> int:
        """Insert a row, of an act unless it is one; returns its id."""
        ours: dict[str, Any] = {} if act is None else {"act_id": act}
        if "uid" in table.c:
            ours["uid"] = uuid4().hex
        key = self.connection.execute(_insert(table), {**ours, **row}).inserted_primary_key
        assert key is not None
        return int(key[0])

    def to_withdraw(
        self, table: sa.Table, noun: str, row_id: int, why: str, query: sa.Select[Any] | None = None
    ) -> tuple[sa.Row[Any], dict[str, Any]]:
        """A row of `standing` (or of a query built on it) that is to be withdrawn, and the row that does it.

        Raises
        ------
        InputError
            If there is no such row, it is withdrawn already, or there is no why.
        """
        where, rows = f"{noun} {row_id}", standing(table) if query is None else query
        short = noun.rpartition(" ")[2]
        row = self.connection.execute(rows.where(table.c.id == row_id)).one_or_none()
        if row is None or row.withdrawn:
            found = f"no such {short}" if row is None else f"a {short} that is withdrawn already"
            raise InputError(where, found, f"a {short} that counts", f"Look up its number in the list of {short}s.")
        refuse_without_why(where, why, f"Say why the {short} does not count.")
        return row, {**again(table, row), "withdraws": row_id}


class Store:
    """An open book: where it is, who uses it, and its clock."""

    def __init__(self, place: Place, engine: sa.Engine, who: str, clock: Callable[[], datetime]) -> None:
        self.label = place.label
        """Where the book is, for messages."""
        self.stored = 0
        """How many transactions were stored through this door."""
        self._place = place
        self._engine = engine
        self._who = who
        self._clock = clock
        self._journal_kept = False
        self._prepared = schema.Prepared()
        self._is_frozen = False
        self._memory = Memory()
        self._open = threading.local()  # a page shares the book among threads; each has its own transaction

    @classmethod
    def open(
        cls,
        target: str | Path | None = None,
        *,
        who: str,
        create: bool = True,
        upgrade: bool | None = None,
        now: Callable[[], datetime] | None = None,
    ) -> Self:
        """Open a book, making it first if need be.

        Parameters
        ----------
        target : str or Path, optional
            A file, or an SQLAlchemy URL. By default ``$DOE_BOOK``, else ``doe-book.sqlite`` in the user's data folder.
        who : str
            Who is doing what is done through this book.
        create : bool
            Whether a missing file may be made; its folder must be there.
        upgrade : bool, optional
            What to do with an older book: by default a file is backed up beside itself and upgraded, and a server's
            is refused; True upgrades a server's too (back it up first); False refuses both.
        now : callable, optional
            The clock; for tests.

        Raises
        ------
        InputError
            If it is not a book, damaged, newer than this program, a folder, in a folder that is missing or may not
            be written to, or if ``who`` is empty.
        """
        if not who.strip():
            raise InputError("who", "nothing", "a name", "Say who is doing this; the book keeps it with every entry.")
        check_line(who, "who", longest=NAME_LENGTH)
        place = find_place(target)
        if place.path is not None:
            check_file(place.path, create=create)
        book = cls(place, make_engine(place), who.strip(), now or (lambda: datetime.now(UTC)))
        try:
            book._prepare(create=create, upgrade=upgrade)
        except InputError:
            book.close()
            if not _can_only_be_looked_at(place):
                raise
            book._engine, book._is_frozen = make_engine(place, frozen=True), True
            book._prepare(create=create, upgrade=upgrade)
        return book

    @classmethod
    def begin(cls, target: str | Path | None = None, *, who: str, role: str | None = None) -> Self:
        """Make an empty book, and let a role of its server use it; a book that is there takes one more role.

        Raises
        ------
        InputError
            As `open` does; or if there is a book already and no role is given.
        """
        book = cls.open(target, who=who)
        try:
            if role is not None:
                with words_for_errors(book.label), book._engine.begin() as connection:
                    schema.grant(connection, role)
            elif not book._prepared.is_new:
                where, remedy = f"book {book.label}", "Use it as it is, or choose another place."
                raise InputError(where, "a book that is there already", "a place without one", remedy)
        except BaseException:
            book.close()
            raise
        return book

    @property
    def upgraded_from(self) -> Path | None:
        """The copy of the older book, if opening this one upgraded it."""
        return self._prepared.copy

    def _prepare(self, *, create: bool, upgrade: bool | None) -> None:
        try:
            with words_for_errors(self.label):
                self._prepared = schema.prepare(
                    self._engine, self._place, create=create, upgrade=upgrade, who=self._who, now=self._now
                )
        except BaseException:
            self.close()
            raise

    def _keep_journal(self) -> None:
        if not self._journal_kept and self._place.path is not None:
            with words_for_errors(self.label):
                schema.keep_journal(self._engine)
            self._journal_kept = True

    def _now(self) -> datetime:
        return self._clock().astimezone(UTC)

    def close(self) -> None:
        """Let go of the file or the server."""
        self._engine.dispose()

    def discard_if_new(self) -> None:
        """Close the book, and take its file away if this door made it and stored nothing in it."""
        self.close()
        if self._prepared.is_new and not self.stored and self._place.path is not None:
            for ending in ("", "-wal", "-shm"):
                Path(f"{self._place.path}{ending}").unlink(missing_ok=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """One consistent look at the book; while something is written, at what it is then.

        A look within another one is that one.
        """
        if writing := self._written():
            yield writing.connection
            return
        if look := self._looked():
            yield look.connection
            return
        with words_for_errors(self.label), self._engine.connect() as connection:
            if connection.dialect.name == "postgresql":  # a file gives one consistent look by itself
                connection.execution_options(isolation_level="REPEATABLE READ")
            connection.begin()
            self._open.look = Snapshot(connection)
            try:
                yield connection
            finally:
                self._open.look = None
                connection.rollback()  # nothing to keep

    def look_again(self) -> None:
        """Look anew from here on, within a look too: something was stored that it must show."""
        if look := self._looked():
            look.connection.rollback()
            look.connection.begin()
            look.act = -1

    def last_act(self) -> int:
        """Number of the last act, by whichever program; 0 in a book without any."""
        with self.reading() as connection:
            if look := self._looked():
                look.at(self._memory)
                return look.act
            return connection.scalar(LAST) or 0

    def last_act_but(self, *kinds: Kind) -> int:
        """Number of the last act that added anything but this, or of one since when nothing else was added."""
        with self.reading() as connection:
            look = self._looked()
            newest = None if look is None else look.at(self._memory)
            if newest is None:
                return connection.scalar(LAST) or 0
            return max(act for kind, act in newest.items() if kind not in kinds)

    def last_act_on(self, study: int) -> int:
        """Number of the last act on a study, by whichever program; 0 where there was none."""
        with self.reading() as connection:
            return connection.scalar(sa.select(sa.func.max(acts.c.id)).where(acts.c.study_id == study)) or 0

    def kept(self, key: Hashable, of: Sequence[Kind], make: Callable[[sa.Connection], T]) -> T:
        """What ``make`` reads, or what it read before while nobody has added anything it depends on (``of``) since.

        Whoever gets it must not change it. While something is written it is read anew, and not kept.
        """
        return self.kept_further(key, of, lambda connection, _before: make(connection))

    def kept_further(self, key: Hashable, of: Sequence[Kind], make: Callable[[sa.Connection, Kept | None], T]) -> T:
        """As `kept`; ``make`` gets what was read before, too, and the act that was the last one then."""
        with self.reading() as connection:
            look = self._looked()
            newest = None if look is None else look.at(self._memory)
            if look is None or newest is None:
                return make(connection, None)
            stamp, before = stamp_of(newest, of), self._memory.get(key)
            if before is not None and before.stamp == stamp:
                found: T = before.value
                return found
            made = make(connection, before if before is not None and before.act <= look.act else None)
            self._memory.put(key, Kept(stamp, look.act, made))
            return made

    @contextmanager
    def writing(self) -> Iterator[Writing]:
        """One transaction, the only one that writes: all of it is stored, or none.

        What is stored within another one is part of that.
        """
        if writing := self._written():
            yield writing
            return
        with words_for_errors(self.label):
            self._keep_journal()
            with self._engine.connect().execution_options(**{WRITES: True}) as connection, connection.begin():
                take_turn(connection)
                self._open.writing = Writing(connection, self._who, self._now())
                try:
                    yield self._open.writing
                finally:
                    self._open.writing = None
                chain.seal(connection)
            self.stored += 1
            self.look_again()

    def page_state(self, lock: AbstractContextManager[Any] | None = None) -> PageState:
        """What the page at the press remembers in this book; ``lock`` as `PageState` has it."""
        if self._is_frozen:
            return PageState.in_memory()
        self._keep_journal()  # what is kept there must not wait for looks that are under way
        return PageState(self._engine, self.label, lock)

    def _looked(self) -> Snapshot | None:
        """The look that is under way; none while something is written."""
        found: Snapshot | None = None if self._written() else getattr(self._open, "look", None)
        return found

    def _written(self) -> Writing | None:
        found: Writing | None = getattr(self._open, "writing", None)
        return found


def _can_only_be_looked_at(place: Place) -> bool:
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
