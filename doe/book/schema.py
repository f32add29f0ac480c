"""Making a book's tables, and bringing an older book up to date.

A book that is up to date is recognised by one small read; Alembic is imported only when there is work for it.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from uuid import uuid4

import sqlalchemy as sa

from doe.book import backups
from doe.book.engine import WRITES, DamagedBook, Place, not_a_book, take_turn
from doe.book.tables import SCHEMA_VERSION, VERSION_TABLE, book_info, page_state
from doe.domain.errors import InputError
from doe.files import placed_whole

_version = sa.table(VERSION_TABLE, sa.column("version_num", sa.Text))


@dataclass(frozen=True)
class Prepared:
    """What was done to make a book ready: the ``copy`` before an upgrade, and whether it was made (``is_new``)."""

    copy: Path | None = None
    is_new: bool = False


def stored_version(connection: sa.Connection, label: str) -> str | None:
    """Schema version of a book; None where there is nothing yet.

    Raises
    ------
    DamagedBook
        If there are tables of a book but no version.
    InputError
        If there are other tables.
    """
    inspector = sa.inspect(connection)
    has_version = inspector.has_table(VERSION_TABLE)
    versions = list(connection.scalars(sa.select(_version.c.version_num))) if has_version else []
    if len(versions) == 1 and str(versions[0]).isdecimal():
        return str(versions[0])
    if inspector.has_table(book_info.name):
        raise DamagedBook(label, "a book without its version")
    if has_version or inspector.get_table_names():
        raise not_a_book(f"book {label}")
    return None


def prepare(
    engine: sa.Engine, place: Place, *, create: bool, upgrade: bool | None, who: str, now: Callable[[], datetime]
) -> Prepared:
    """Make sure the tables are those of this program.

    Parameters
    ----------
    engine : Engine
    place : Place
    create, upgrade : bool
        As `Book.open` has them.
    who : str
    now : callable
        Gives the time in UTC.

    Raises
    ------
    InputError
        If it is no book, a newer one, or one that may not be made or upgraded.
    """
    where = f"book {place.label}"
    with engine.connect() as connection:
        version = stored_version(connection, place.label)
    if version == SCHEMA_VERSION:
        return Prepared()
    if version is None:
        if not create:
            raise InputError(where, "an empty database", "an existing book", "Check the path, or make a new book.")
        if place.path is not None:
            keep_journal(engine)
        with engine.connect().execution_options(**{WRITES: True}) as connection, connection.begin():
            take_turn(connection)
            if stored_version(connection, place.label) is None:  # else somebody else was faster
                migrate(connection)
                connection.execute(book_info.insert().values(uid=uuid4().hex, made_at=now(), made_by=who))
                return Prepared(is_new=True)
        return Prepared()
    if int(version) > int(SCHEMA_VERSION):
        raise InputError(
            where,
            f"a book of schema {version}, made by a newer program",
            f"schema {SCHEMA_VERSION} or older",
            "Update this program, or use a book of its own.",
        )
    if upgrade is False or (upgrade is None and place.path is None):
        raise InputError(
            where,
            f"a book of schema {version}",
            f"schema {SCHEMA_VERSION}",
            "Back it up with the tools of the server, then ask for the upgrade.",
        )
    copy = None
    with engine.connect().execution_options(**{WRITES: True}) as connection, connection.begin():
        take_turn(connection)
        version = stored_version(connection, place.label)
        if version == SCHEMA_VERSION:  # somebody else was faster
            return Prepared()
        if place.path is not None:
            # taken while we hold the turn to write, so that nothing can be stored between copy and upgrade
            copy = _free_name(place.path, f"-schema-{version}-{now():%Y%m%d%H%M%S}")
            copy_file(place.path, copy)
        migrate(connection)
    if place.path is not None and copy is not None:
        backups.note(place.path, copy, now())
    return Prepared(copy)


def _free_name(path: Path, ending: str) -> Path:
    """A name beside a file that is not taken: two books may be upgraded within a second."""
    tries = ("", *(f"-{number}" for number in range(2, 100)))
    return next(
        name for more in tries if not (name := path.with_name(f"{path.stem}{ending}{more}{path.suffix}")).exists()
    )


def grant(connection: sa.Connection, role: str) -> None:
    """Let a role of a server look at the book and add to it, now and after upgrades, but change nothing.

    Raises
    ------
    InputError
        If the book is in a file.
    """
    if connection.dialect.name != "postgresql":
        remedy = "Leave --role out: who may write to a file is up to its folder."
        raise InputError("--role", repr(role), "a book on a server", remedy)
    name = connection.dialect.identifier_preparer.quote_identifier(role)
    schema = connection.dialect.identifier_preparer.quote(str(connection.scalar(sa.select(sa.func.current_schema()))))
    rights = (("TABLES", "SELECT, INSERT"), ("SEQUENCES", "ALL"))
    connection.exec_driver_sql(f"GRANT USAGE ON SCHEMA {schema} TO {name}")
    for kind, what in rights:
        connection.exec_driver_sql(f"GRANT {what} ON ALL {kind} IN SCHEMA {schema} TO {name}")
        connection.exec_driver_sql(f"ALTER DEFAULT PRIVILEGES IN SCHEMA {schema} GRANT {what} ON {kind} TO {name}")
    connection.exec_driver_sql(f"GRANT UPDATE, DELETE ON {page_state.name} TO {name}")


def keep_journal(engine: sa.Engine) -> None:
    """Switch an SQLite file to write-ahead logging, where it is not; it stays so."""
    raw = engine.raw_connection()
    try:
        for attempt in range(50):
            try:
                raw.cursor().execute("PRAGMA journal_mode = WAL")
                return
            except sqlite3.OperationalError as error:
                # SQLite does not wait its turn for this one switch
                if not error.sqlite_errorname.startswith("SQLITE_BUSY") or attempt == 49:
                    raise
                time.sleep(0.1)
    finally:
        raw.close()


def migrate(connection: sa.Connection, revision: str = "head") -> None:
    """Take the tables up to a revision, inside the transaction of the connection."""
    from alembic import command  # noqa: PLC0415 - heavy, and only needed for a new or an older book
    from alembic.config import Config  # noqa: PLC0415

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, revision)


def copy_file(source: Path, copy: Path) -> None:
    """Copy an SQLite file with what is still in its log, even while others use it; a new, whole file or none.

    Raises
    ------
    InputError
        If the copy exists, or its folder is missing or cannot be written to.
    """
    if copy.exists():
        raise InputError(f"backup {copy}", "a file", "a new file", "Choose another name; backups are not overwritten.")
    if not copy.parent.is_dir():
        raise InputError(f"backup {copy}", f"no folder {copy.parent}", "an existing folder", "Make the folder first.")
    try:
        # an error of the disk is said at once, and about the right file
        with placed_whole(copy, replaces=False) as beside, closing(sqlite3.connect(beside)) as to:
            with closing(sqlite3.connect(f"{source.resolve().as_uri()}?mode=ro", uri=True)) as from_:
                from_.backup(to)
            to.execute("PRAGMA journal_mode = DELETE")  # a backup is one file that can be carried away
            if (answer := to.execute("PRAGMA quick_check").fetchone()[0]) != "ok":
                raise OSError(5, f"a copy that cannot be read ({answer})")
    except OSError as error:
        raise InputError(
            f"backup {copy}",
            error.strerror or str(error),
            "a folder with room that can be written to",
            "Choose another folder.",
        ) from error
