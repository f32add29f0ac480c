"""What the page at the press remembers between two requests, kept in the book for every process that serves it.

It is no part of the history: rows are changed and removed, and nothing is exported. Of cookies it has digests only. A
restart of the page forgets nothing, and several processes know the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from typing import Any, TypeVar

import sqlalchemy as sa

from doe.book.engine import WRITES, take_turn, words_for_errors
from doe.book.tables import page_state

T = TypeVar("T")

_SAID = (page_state.c.kind == sa.bindparam("of_kind"), page_state.c.key == sa.bindparam("by_key"))
_ONE = sa.select(page_state.c.value, page_state.c.at).where(*_SAID)
_UPDATE = page_state.update().where(*_SAID).values(value=sa.bindparam("new_value"), at=sa.bindparam("new_at"))
_INSERT = page_state.insert()


class PageState:
    """Values by kind and key, each with a time.

    Parameters
    ----------
    engine : Engine
        Of a book.
    label : str
        Where that is, for messages.
    lock : context manager, optional
        Held while something is kept: that of whoever writes to the book beside this, so that they wait for one another.
    """

    def __init__(self, engine: sa.Engine, label: str, lock: AbstractContextManager[Any] | None = None) -> None:
        self._engine = engine
        self._label = label
        self._lock = lock or nullcontext()

    @classmethod
    def in_memory(cls) -> PageState:
        """For a book that nobody can write to: forgotten at the end."""
        engine = sa.create_engine("sqlite://", poolclass=sa.pool.StaticPool)
        page_state.create(engine)
        return cls(engine, "memory")

    def get(self, kind: str, key: str = "") -> tuple[Any, float] | None:
        """A value and its time; None if there is none."""
        with words_for_errors(self._label), self._engine.connect() as connection:
            row = connection.execute(_ONE, _named(kind, key)).one_or_none()
        return None if row is None else (row.value, row.at)

    def all(self, kind: str) -> dict[str, tuple[Any, float]]:
        """Every value of a kind with its time, the oldest first."""
        query = sa.select(page_state).where(page_state.c.kind == kind).order_by(page_state.c.at)
        with words_for_errors(self._label), self._engine.connect() as connection:
            return {row.key: (row.value, row.at) for row in connection.execute(query)}

    def put(self, kind: str, key: str, value: Any, at: float) -> None:
        """Keep a value in place of the one there."""
        with self._turn() as connection:
            _put(connection, kind, key, value, at)

    @staticmethod
    def put_with(connection: sa.Connection, kind: str, key: str, value: Any, at: float) -> None:
        """Keep a value in the transaction that stores what it is about: both are there afterwards, or neither."""
        _put(connection, kind, key, value, at)

    def change(self, kind: str, key: str, at: float, act: Callable[[Any], tuple[Any, T]]) -> T:
        """Keep what ``act`` makes of a value (None where there is none yet), with nobody else in between.

        ``act`` gives the new value and what is to be returned.
        """
        with self._turn() as connection:
            old = connection.scalar(_ONE, _named(kind, key))
            new, answer = act(old)
            if new != old:
                _put(connection, kind, key, new, at)
        return answer

    def drop(self, kind: str, *keys: str, before: float | None = None) -> None:
        """Forget values by their keys, or all of a kind that are older."""
        which = page_state.c.key.in_(keys) if before is None else page_state.c.at < before
        with self._turn() as connection:
            connection.execute(page_state.delete().where(page_state.c.kind == kind, which))

    @contextmanager
    def _turn(self) -> Iterator[sa.Connection]:
        with (
            self._lock,
            words_for_errors(self._label),
            self._engine.connect().execution_options(**{WRITES: True}) as connection,
            connection.begin(),
        ):
            take_turn(connection)
            yield connection


def _named(kind: str, key: str) -> dict[str, Any]:
    return {"of_kind": kind, "by_key": key}


def _put(connection: sa.Connection, kind: str, key: str, value: Any, at: float) -> None:
    new = {**_named(kind, key), "new_value": value, "new_at": at}
    if not connection.execute(_UPDATE, new).rowcount:
        connection.execute(_INSERT, {"kind": kind, "key": key, "value": value, "at": at})
