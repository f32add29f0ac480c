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

from doe.book.backups import last_backup
from doe.domain.errors import InputError

BOOK_VARIABLE = "DOE_BOOK"
FILE_NAME = "doe-book.sqlite"


@dataclass(frozen=True)
class Place:
    """Where a book is; ``path`` is None for a server. ``label`` is for messages and suggestions: it has no password."""

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
        url = _url_of(target)
        if url.get_backend_name() == "postgresql":
            return Place(_without_password(url), url, None)
        if not url.database or url.database == ":memory:":
            raise InputError("book", target, "a file", "Name the file, such as sqlite:///shop.sqlite.")
        target = url.database
    if not str(target).strip():
        raise InputError("book", "nothing", "a file or a database URL", "Name the file of the book.")
    path = Path(target).expanduser()
    return Place(str(path), sa.URL.create("sqlite", database=str(path)), path)


def _url_of(target: str) -> sa.URL:
    # what cannot be read is not repeated: a password may be anywhere in it
    kind, _, rest = target.partition("://")
    backend = kind.partition("+")[0]
    allowed = "a file, or postgresql://NAME@HOST/DATABASE"
    if backend not in ("sqlite", "postgresql", "postgres"):
        raise InputError("book", f"a URL of {backend}", allowed, "Correct the URL.")
    try:
        url = sa.make_url(f"{'sqlite' if backend == 'sqlite' else 'postgresql+psycopg'}://{rest}")
    except (sa.exc.ArgumentError, ValueError) as error:
        remedy = "Correct the URL; in a password write @ as %40, : as %3A and / as %2F, or keep it in ~/.pgpass."
        raise InputError("book", "a URL that cannot be read", allowed, remedy) from error
    if "@" in (url.host or ""):
        raise InputError("book", "a URL with two @", allowed, "In a password write @ as %40, or keep it in ~/.pgpass.")
    return url


def _without_password(url: sa.URL) -> str:
    plain = url._replace(drivername="postgresql", password=None)
    return plain.difference_update_query([key for key in url.query if "password" in key]).render_as_string(False)


def _usual_file() -> Path:
    import platformdirs  # noqa: PLC0415 - only needed when no book is named

    folder = Path(platformdirs.user_data_dir("doe", appauthor=False))
    folder.mkdir(parents=True, exist_ok=True)
    return folder / FILE_NAME


def check_file(path: Path, *, create: bool) -> None:
    """Refuse a file that cannot be a book, before anything is opened or made.

    What is in the file only the database looks at: a process that opens the file by itself gives up, when it closes it,
    every lock that its connections hold (POSIX, fcntl), and the next program takes the journal away under them.

    Raises
    ------
    InputError
        If it is a folder, its folder is missing, or it is missing and may not be made.
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
        elif not path.stat().st_size and last_backup(path):  # what was backed up once was a book
            raise DamagedBook(str(path), "an empty file")
    except OSError as error:
        raise InputError(
            where, error.strerror or "an error", "a file that can be read", "Check its permissions."
        ) from error


def not_a_book(where: str) -> InputError:
    """The refusal of a file or database that holds something else."""
    return InputError(
        where, "something that is not a book", "a book or a new file", "Check the path, or choose another name."
    )


BUSY_SECONDS = 10.0
"""How long a command waits for another one that is writing."""

_PATIENCE = {"connect_timeout": 10, "keepalives_idle": 10, "keepalives_interval": 5, "keepalives_count": 3}
"""Seconds and tries after which a server that has gone is given up."""

WRITES = "book_writes"
"""Execution option of a connection that is going to write."""


class DamagedBook(InputError):
    """A book in which something is missing or cannot be read; ``label`` is that of its place."""

    def __init__(self, label: str, found: object) -> None:
        remedy = f"Keep a copy of it, see what doe book check says, and go back to the last backup{_which(label)}."
        super().__init__(f"book {label}", found, "a sound book", remedy)


def _which(label: str) -> str:
    if "://" in label:
        return " made with the tools of the server"
    known = last_backup(Path(label))
    return f" {known}" if known else "; none is known here (doe book backup PATH makes one of a sound book)"


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
)


_GONE = ("57P", "08")  # SQLSTATE: shut down, crashed, starting; the connection broke
_CUT = ("server closed the connection", "the connection is lost", "connection is closed", "could not receive data")
_LOOK_FIRST = (
    "Nothing of this was confirmed: when it answers again, see with doe book audit what is stored, and repeat the rest."
)
# the same for a server, by starts of its SQLSTATE codes
_SERVER_SAID = (
    ("42501", "a role without permission for this", "one that may read and add", "Ask the book's owner for it."),
    (
        "25006",
        "a server that only reads",
        "one that can be written to",
        "Give the address of the main server, not of its copy.",
    ),
    ("53100", "no room left on the server's disk", "room for the book to grow", "Make room; nothing was stored."),
    ("53300", "a server with no connection left", "a free one", "Close other programs on it, then repeat."),
    ("55P03", *_SAID[0][1:]),
    ("22003", "a number too large to keep", "below 2^63", "Use a smaller one."),
    (("22021", "22P05"), "text that is not text", "plain text", "Type it again."),
    ("42704", "no such role on the server", "a role that is there", "Make it first (createuser)."),
    ("3D000", "no such database", "an empty database or a book", "Make it on the server first (createdb)."),
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
            settings = {key: value for key, value in _PATIENCE.items() if key not in place.url.query}
            return sa.create_engine(place.url, pool_pre_ping=True, connect_args=settings)
        except (ImportError, sa.exc.ArgumentError) as error:
            remedy = "Run: pip install 'first-article-tuning[server]'."
            raise InputError(where, "no driver for PostgreSQL", "an installed driver", remedy) from error
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
    # a stored score survives a power cut, also in a book whose journal is not yet the write-ahead one: FULL would not
    # flush the folder after a rollback journal is gone, and the journal could come back and take the score away
    connection.execute("PRAGMA synchronous = EXTRA")
    connection.execute(f"PRAGMA busy_timeout = {int(BUSY_SECONDS * 1000)}")


def _on_begin(connection: sa.Connection) -> None:
    # IMMEDIATE takes the turn to write at once; a deferred one could find out halfway that it is too late.
    writes = connection.get_execution_options().get(WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def take_turn(connection: sa.Connection) -> None:
    """Wait for the turn to write on a server, held to the end of the transaction, as BEGIN IMMEDIATE is in a file."""
    if connection.dialect.name == "postgresql":
        # a lock that needs no more than the right to connect: who adds rows need not be able to change any
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{BUSY_SECONDS}s'")
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_TURN})")


_TURN = 0x646F65  # "doe": any number that every program with a book in this database shares


@contextmanager
def words_for_errors(label: str) -> Iterator[None]:
    """Turn what a disk, a lock or a server answers into an `InputError`; our own mistakes pass unchanged."""
    try:
        yield
    except (sa.exc.DBAPIError, sqlite3.Error) as error:
        refusal = _refusal(label, getattr(error, "orig", error))
        if refusal is None:
            raise
        raise refusal from error
    except sa.exc.StatementError as error:  # our own mistake in a value, before the database saw it
        raise error.orig or error from error
    except UnicodeEncodeError as error:  # bytes of a terminal that are no text
        raise InputError(
            f"book {label}", f"text that is not text: {error.object[:40]!r}", "plain text", "Type it again."
        ) from error
    except UnicodeDecodeError as error:  # SQLite's own message quotes bytes of the file that are no text
        raise DamagedBook(label, "a damaged book") from error
    except OverflowError as error:
        raise InputError(f"book {label}", "a number too large to keep", "below 2^63", "Use a smaller one.") from error


def _refusal(label: str, error: Any) -> InputError | None:
    return _refusal_of_file(label, error) if isinstance(error, sqlite3.Error) else _refusal_of_server(label, error)


_DAMAGED = ("no such table", "no such column", "malformed", "unsupported file format")
"""How SQLite's plain errors begin where a file was changed by something else."""


def _refusal_of_file(label: str, error: sqlite3.Error) -> InputError | None:
    code, where = getattr(error, "sqlite_errorname", "") or "", f"book {label}"
    if code.startswith("SQLITE_NOTADB"):
        # what was backed up once was a book
        return DamagedBook(label, "a damaged book") if last_backup(Path(label)) else not_a_book(where)
    if code.startswith("SQLITE_CORRUPT"):
        return DamagedBook(label, "a damaged book")
    if code == "SQLITE_ERROR" and str(error).startswith(_DAMAGED):
        return DamagedBook(label, str(error))
    return next((InputError(where, *said) for starts, *said in _SAID if code.startswith(starts)), None)


def is_gone(error: Any) -> bool:
    """Whether an error says that a server stopped answering: it tells nothing about the book."""
    error = getattr(error, "orig", error)
    state = getattr(error, "sqlstate", None) or ""
    return state.startswith(_GONE) or any(words in str(error) for words in _CUT)


def _refusal_of_server(label: str, error: Any) -> InputError | None:
    state, where = getattr(error, "sqlstate", None) or "", f"book {label}"
    if any(kind.__name__ == "Error" for kind in type(error).__mro__):  # every driver's word for what a database says
        if state in ("42P01", "42703", "XX001", "XX002"):
            return DamagedBook(label, str(error).partition("\n")[0])
        for starts, *said in _SERVER_SAID:
            if state.startswith(starts):
                return InputError(where, *said)
    if type(error).__name__ == "OperationalError" or state.startswith(_GONE):
        if is_gone(error):
            return InputError(where, "a server that stopped answering", "one that answers to the end", _LOOK_FIRST)
        found = " ".join(str(error).split())
        return InputError(where, found, "a server that answers", "Check address, name and password, then repeat.")
    return None
