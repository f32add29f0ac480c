"""The tables that migrations make are the tables the program uses, and they are append-only."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

import doe.book.migrations
from doe.book import schema
from doe.book.book import Book
from doe.book.schema import migrate
from doe.book.tables import KEPT, SCHEMA_VERSION, VERSION_TABLE, book_info, metadata, seals
from doe.domain.gauge import GaugeReading
from doe.domain.score import ScoreEntry
from tests.book.samples import RECIPE


@pytest.mark.in_file("the tables of a file")
def test_migrations_make_the_tables_of_the_program(book: Book, tmp_path: Path) -> None:
    engine = sa.create_engine(f"sqlite:///{tmp_path / 'shop.sqlite'}")
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE, "compare_type": True})
        assert compare_metadata(context, metadata) == []
    engine.dispose()


@pytest.mark.in_file("the tables of a file")
def test_books_that_the_tests_make_by_statements_are_those_that_migrations_make(tmp_path: Path) -> None:
    tables = []
    for name, make in (("migrated", migrate), ("noted", schema.migrate), ("again", schema.migrate)):
        engine = sa.create_engine(f"sqlite:///{tmp_path / name}")
        with engine.begin() as connection:
            make(connection)
            tables.append(sorted(map(str, connection.exec_driver_sql("SELECT type, name, sql FROM sqlite_master"))))
            tables[-1] += map(str, connection.exec_driver_sql(f"SELECT * FROM {VERSION_TABLE}"))
        engine.dispose()
    assert tables[0] == tables[1] == tables[2]


def test_the_newest_step_is_the_version_of_the_program() -> None:
    config = Config()
    config.set_main_option("script_location", str(Path(doe.book.migrations.__file__).parent))
    config.set_main_option("path_separator", "os")
    assert ScriptDirectory.from_config(config).get_current_head() == SCHEMA_VERSION


@pytest.mark.parametrize("table", [table.name for table in (book_info, *KEPT)])
@pytest.mark.in_file("damages the file behind the program")
def test_the_database_itself_refuses_changes(book: Book, tmp_path: Path, table: str) -> None:
    book.record(1, [ScoreEntry("R1-01", checks={"release": True})])
    book.add_gauge_reading("line 1", GaugeReading("press", 150, 150, 148))
    book.save_analysis(1, kind="fit", inputs_hash="h", seed=1, version="1", payload={})
    book.save_note("case", "tee", {})
    book.release_recipe(RECIPE, study=None)
    book.add_photo(1, "R1-01", b"\xff\xd8\xff", face="print", media_type="image/jpeg")
    with closing(sqlite3.connect(tmp_path / "shop.sqlite")) as connection:
        connection.execute("PRAGMA foreign_keys = OFF")  # so that it is the trigger that refuses
        for change in (f"UPDATE {table} SET id = id + 1000", f"DELETE FROM {table}"):
            with pytest.raises(sqlite3.IntegrityError, match="append-only"):
                connection.execute(change)


@pytest.mark.in_file("the tables of a file")
def test_every_table_has_its_triggers(book: Book, tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "shop.sqlite")) as connection:
        found = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")}
    assert found == {f"no_{act}_{table.name}" for table in (book_info, *KEPT, seals) for act in ("update", "delete")}


@pytest.mark.in_file("how a file is written")
def test_writing_is_durable(book: Book) -> None:
    with book.writing() as writing:
        ask = writing.connection.exec_driver_sql
        assert ask("PRAGMA journal_mode").scalar() == "wal"
        assert ask("PRAGMA synchronous").scalar() == 3  # EXTRA
        assert ask("PRAGMA foreign_keys").scalar() == 1
        assert ask("PRAGMA busy_timeout").scalar() == 10_000
