"""Connections to the book, and database errors put into words."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import sqlalchemy as sa

from doe.book.place import Place, not_a_book
from doe.domain.errors import InputError

BUSY_SECONDS = 10.0
"""How long a command waits for another one that is writing."""

WRITES = "book_writes"
"""Execution option of a connection that is going to write."""

# SQLite's result codes by the start of their names: (found, allowed, remedy)
_SAID = {
    "SQLITE_BUSY": (
        "another program that keeps writing to it",
        "a turn within 10 s",
        "Wait for the other command to end, then repeat.",
    ),
    "SQLITE_LOCKED": (
        "another program that keeps writing to it",
        "a turn within 10 s",
        "Wait for the other command to end, then repeat.",
    ),
    "SQLITE_READONLY": (
        "no permission to write",
        "a file and a folder that can be written to",
        "Check the permissions, or copy the book to a folder of your own.",
    ),
    "SQLITE_CANTOPEN": (
        "a file that cannot be opened",
        "a file and a folder that can be read and written to",
        "Check the permissions, or choose another folder.",
    ),
    "SQLITE_PERM": ("no permission", "a file and a folder that can be written to", "Check the permissions."),
    "SQLITE_FULL": (
        "no room left on the disk",
        "room for the book to grow",
        "Make room, then repeat; nothing was stored.",
    ),
    "SQLITE_IOERR": (
        "a disk that answers with an error",
        "a working disk",
        "Check the disk or the network folder, then repeat.",
    ),
    "SQLITE_CORRUPT": ("a damaged file", "a sound book", "Keep a copy of the file, and go back to the last backup."),
}


def make_engine(place: Place, *, frozen: bool = False) -> sa.Engine:
    """Engine of a book.

    ``frozen`` opens a file that lies in a folder nothing can be written to, for looking only.

    Raises
    ------
    InputError
        If the URL needs a driver that is not installed.
    """
    where = f"book {place.label}"
    if place.path is None:
        try:
            # a server may close an idle connection; looking first costs little and saves a failed command
            return sa.create_engine(place.url, pool_pre_ping=True)
        except (ImportError, sa.exc.ArgumentError) as error:
            raise InputError(
                where, str(error), "a database URL with its driver installed", "Install the driver, or correct the URL."
            ) from error
    if frozen:
        uri = f"{place.path.resolve().as_uri()}?mode=ro&immutable=1"

        def look() -> sqlite3.Connection:
            return sqlite3.connect(uri, uri=True, check_same_thread=False)

        engine = sa.create_engine("sqlite://", creator=look, poolclass=sa.pool.QueuePool)
    else:
        engine = sa.create_engine(place.url, connect_args={"timeout": BUSY_SECONDS})
    sa.event.listen(engine, "connect", _on_connect)
    sa.event.listen(engine, "begin", _on_begin)
    return engine


def _on_connect(connection: sqlite3.Connection, _record: object) -> None:
    # The driver must not open transactions by itself: `_on_begin` says how each one starts.
    connection.isolation_level = None
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = FULL")  # a stored score survives a power cut
    connection.execute(f"PRAGMA busy_timeout = {int(BUSY_SECONDS * 1000)}")


def _on_begin(connection: sa.Connection) -> None:
    # IMMEDIATE takes the turn to write at once; a deferred one could find out halfway that it is too late.
    writes = connection.get_execution_options().get(WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextmanager
def words_for_errors(label: str) -> Iterator[None]:
    """Turn what a disk, a lock or a server answers into an `InputError`; our own mistakes pass unchanged."""
    try:
        yield
    except sa.exc.DBAPIError as error:
        refusal = _refusal(f"book {label}", error.orig)
        if refusal is None:
            raise
        raise refusal from error
    except sqlite3.Error as error:
        refusal = _refusal(f"book {label}", error)
        if refusal is None:
            raise
        raise refusal from error
    except UnicodeEncodeError as error:  # bytes of a terminal that are no text
        raise InputError(
            f"book {label}", f"text that is not text: {error.object[:40]!r}", "plain text", "Type it again."
        ) from error
    except OverflowError as error:
        raise InputError(f"book {label}", "a number too large to keep", "below 2^63", "Use a smaller one.") from error


def _refusal(where: str, error: Any) -> InputError | None:
    if isinstance(error, sqlite3.Error):
        code = getattr(error, "sqlite_errorname", "") or ""
        if code.startswith("SQLITE_NOTADB"):
            return not_a_book(where)
        return next((InputError(where, *said) for start, said in _SAID.items() if code.startswith(start)), None)
    if type(error).__name__ == "OperationalError":  # every driver's word for a server that cannot be used
        line = " ".join(str(error).split())
        return InputError(where, line, "a server that answers", "Check address, name and password, then repeat.")
    return None
