"""What a test process would make anew for every command and every book, always the same, it makes once.

A program of ours runs one command or serves one book, so that it makes each of these once; a process of the tests runs
thousands. Tests that start programs see all of it made, and so does the first command and the first book of a process.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import pytest
import sqlalchemy as sa
import typer

import doe.book.schema
import doe.book.store
from doe.book.engine import make_engine
from doe.book.schema import migrate


class CompiledStatements(dict[Any, Any]):
    """Statements as text, kept for the kind of a database where SQLAlchemy keeps them for each engine alone."""

    def get(self, key: Any, default: Any = None) -> Any:
        """What was made of a statement of one engine, by an engine of the same kind."""
        return super().get((type(key[0]), *key[1:]), default)

    def __setitem__(self, key: Any, compiled: Any) -> None:
        super().__setitem__((type(key[0]), *key[1:]), compiled)


def _sharing(statements: CompiledStatements) -> Callable[..., sa.Engine]:
    def make(*place: Any, **more: Any) -> sa.Engine:
        engine = make_engine(*place, **more)
        engine.update_execution_options(compiled_cache=statements)
        return engine

    return make


def _noted(connection: sa.Connection) -> list[tuple[str, Any]]:
    """Bring an empty place to the newest tables, and say by which statements."""
    noted: list[tuple[str, Any]] = []

    def note(_connection: Any, _cursor: Any, statement: str, values: Any, *_: Any) -> None:
        if not statement.startswith(("SELECT", "PRAGMA")):  # these only look
            noted.append((statement, values))

    sa.event.listen(connection, "before_cursor_execute", note)
    migrate(connection)
    sa.event.remove(connection, "before_cursor_execute", note)
    return noted


def _migrating(known: dict[str, list[tuple[str, Any]]]) -> Callable[..., None]:
    """Migrate as ever; from the second one on, a new book by the statements that the first one was made with."""

    def make(connection: sa.Connection, revision: str = "head") -> None:
        if revision != "head" or sa.inspect(connection).get_table_names():
            migrate(connection, revision)
        elif connection.dialect.name not in known:
            known[connection.dialect.name] = _noted(connection)
        else:
            for statement, values in known[connection.dialect.name]:
                connection.exec_driver_sql(statement, values or None)

    return make


def pytest_configure() -> None:
    """Commands built from what they declare, tables of a new book, statements as text."""
    typer.main.get_group = cache(typer.main.get_group)
    doe.book.schema.migrate = _migrating({})
    doe.book.store.make_engine = _sharing(CompiledStatements())


def pytest_unconfigure(config: pytest.Config) -> None:
    """Leave all as it was."""
    typer.main.get_group = typer.main.get_group.__wrapped__  # type: ignore[attr-defined] # of the cache
    doe.book.schema.migrate, doe.book.store.make_engine = migrate, make_engine
