"""Where the book is, connections to it, and database errors put into words."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from doe.domain.errors import InputError

BOOK_VARIABLE = "DOE_BOOK"
FILE_NAME = "doe-book.sqlite"
_HEADER = b"SQLite format 3\x00"


@dataclass(frozen=True)
class Place:
    """Where a book is; ``path`` is None for a server. ``label`` is for messages and hides passwords."""

    label: str
    url: sa.URL
    path: Path | None


def find_place(target: str | Path | None) -> Place:
    """Place of a target: a path, an SQLAlchemy URL, or None for the usual one.

    Raises
    ------
    InputError
        If a URL cannot be read.
    """
    if target is None:
        target = os.environ.get(BOOK_VARIABLE) or _usual_file()
    if isinstance(target, str) and "://" in target:
        try:
            url = sa.make_url(target)
        except sa.exc.ArgumentError as error:
            raise InputError("book", target, "a file or a database URL", "Correct the URL.") from error
        if url.get_backend_name() != "sqlite":
            return Place(url.render_as_string(hide_password=True), url, None)
        if not url.database or url.database == ":memory:":
            raise InputError("book", target, "a file", "Name the file, such as sqlite:///shop.sqlite.")
        target = url.database
    if not str(target).strip():
        raise InputError("book", "nothing", "a file or a database URL", "Name the file of the book.")
    path = Path(target).expanduser()
    return Place(str(path), sa.URL.create("sqlite", database=str(path)), path)


def _usual_file() -> Path:
    import platformdirs  # noqa: PLC0415 - only needed when no book is named

    folder = Path(platformdirs.user_data_dir("doe", appauthor=False))
    folder.mkdir(parents=True, exist_ok=True)
    return folder / FILE_NAME


def check_file(path: Path, *, create: bool) -> None:
    """Refuse a file that cannot be a book, before anything is opened or made.

    Raises
    ------
    InputError
        If it is a folder, its folder is missing, it is missing and may not be made, or it is something else.
    """
    where = f"book {path}"
    try:
        if path.is_dir():
            raise InputError(where, "a folder", "a file", f"Name a file in it, such as {path / FILE_NAME}.")
        if not path.exists():
            if not path.parent.is_dir():
                raise InputError(where, f"no folder {path.parent}", "an existing folder", "Make the folder first.")
            if not create:
                raise InputError(where, "no file", "an existing book", "Check the path, or make a new book there.")
            return
        with path.open("rb") as file:
            start = file.read(len(_HEADER))
    except OSError as error:
        raise InputError(
            where, error.strerror or "an error", "a file that can be read", "Check its permissions."
        ) from error
    if start and start != _HEADER:
        raise not_a_book(where)


def not_a_book(where: str) -> InputError:
    """The refusal of a file or database that holds something else."""
    return InputError(
        where, "something that is not a book", "a book or a new file", "Check the path, or choose another name."
    )


BUSY_SECONDS = 10.0
"""How long a command waits for another one that is writing."""

WRITES = "book_writes"
"""Execution option of a connection that is going to write."""

# Starts of the names of SQLite's result codes, then found, allowed, remedy.
_SAID = (
    (
        ("SQLITE_BUSY", "SQLITE_LOCKED"),
        "another program that keeps writing to it",
        "a turn within 10 s",
        "Wait for the other command to end, then repeat.",
    ),
    (
        "SQLITE_READONLY",
        "no permission to write",
        "a file and a folder that can be written to",
        "Check the permissions, or copy the book to a folder of your own.",
    ),
    (
        "SQLITE_CANTOPEN",
        "a file that cannot be opened",
        "a file and a folder that can be read and written to",
        "Check the permissions, or choose another folder.",
    ),
    ("SQLITE_PERM", "no permission", "a file and a folder that can be written to", "Check the permissions."),
    (
        "SQLITE_FULL",
        "no room left on the disk",
        "room for the book to grow",
        "Make room, then repeat; nothing was stored.",
    ),
    (
        "SQLITE_IOERR",
        "a disk that answers with an error",
        "a working disk",
        "Check the disk or the network folder, then repeat.",
    ),
    ("SQLITE_CORRUPT", "a damaged file", "a sound book", "Keep a copy of the file, and go back to the last backup."),
)


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
        engine = sa.create_engine(
            "sqlite://",
            creator=lambda: sqlite3.connect(uri, uri=True, check_same_thread=False),
            poolclass=sa.pool.QueuePool,
        )
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
    except (sa.exc.DBAPIError, sqlite3.Error) as error:
        refusal = _refusal(f"book {label}", getattr(error, "orig", error))
        if refusal is None:
            raise
        raise refusal from error
    except sa.exc.StatementError as error:  # our own mistake in a value, before the database saw it
        raise error.orig or error from error
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
        return next((InputError(where, *said) for starts, *said in _SAID if code.startswith(starts)), None)
    if type(error).__name__ == "OperationalError":  # every driver's word for a server that cannot be used
        line = " ".join(str(error).split())
        return InputError(where, line, "a server that answers", "Check address, name and password, then repeat.")
    return None
