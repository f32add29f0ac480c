"""Stacks and lines: kept by name, corrected by a later row."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import sqlalchemy as sa

from doe.book.history import is_current, unknown
from doe.book.store import Writing
from doe.book.tables import lines, stacks
from doe.book.text import from_text, to_text
from doe.domain.errors import InputError
from doe.domain.serial import line_from, stack_from
from doe.domain.stack import Line, Stack

Thing = TypeVar("Thing", Stack, Line)


def save(writing: Writing, thing: Stack | Line, why: str) -> None:
    """Keep a stack or a line.

    Raises
    ------
    InputError
        If its name is empty, or it corrects one of that name without a why.
    """
    kind, table = ("stack", stacks) if isinstance(thing, Stack) else ("line", lines)
    if not thing.name.strip():
        raise InputError(f"{kind} name", "nothing", "a name", "Name it in the shop's words.")
    data = to_text(thing)
    old = writing.connection.execute(
        sa.select(table.c.id, table.c.data).where(table.c.name == thing.name, is_current(table))
    ).one_or_none()
    if old is not None:
        if old.data == data:
            return
        if not why.strip():
            raise InputError(
                f"{kind} {thing.name}",
                f"other details than are kept: {_differences(old.data, data)}",
                "the same details, or a reason",
                "Say why it is corrected, or use a name of its own.",
            )
    act = writing.act(f"correct {kind}" if old else f"add {kind}", thing.name, rows=1, why=why)
    writing.connection.execute(
        table.insert().values(name=thing.name, data=data, supersedes=old.id if old else None, act_id=act)
    )


def _differences(old: str, new: str) -> str:
    before, after = from_text(old), from_text(new)
    return ", ".join(key for key in after if after[key] != before.get(key))


def all_stacks(connection: sa.Connection) -> tuple[Stack, ...]:
    """Every stack as it stands now."""
    return _all(connection, stacks, stack_from)


def all_lines(connection: sa.Connection) -> tuple[Line, ...]:
    """Every line as it stands now."""
    return _all(connection, lines, line_from)


def _all(connection: sa.Connection, table: sa.Table, build: Callable[[Any], Thing]) -> tuple[Thing, ...]:
    texts = connection.scalars(sa.select(table.c.data).where(is_current(table)).order_by(table.c.name))
    return tuple(build(from_text(text)) for text in texts)


def find_stack(connection: sa.Connection, name: str) -> tuple[int, Stack]:
    """Row id and stack of a name, as it stands now."""
    row_id, data = _find(connection, "stack", stacks, name)
    return row_id, stack_from(from_text(data))


def find_line(connection: sa.Connection, name: str) -> tuple[int, Line]:
    """Row id and line of a name, as it stands now."""
    row_id, data = _find(connection, "line", lines, name)
    return row_id, line_from(from_text(data))


def _find(connection: sa.Connection, kind: str, table: sa.Table, name: str) -> tuple[int, str]:
    row = connection.execute(
        sa.select(table.c.id, table.c.data).where(table.c.name == name, is_current(table))
    ).one_or_none()
    if row is None:
        names = connection.scalars(sa.select(table.c.name).where(is_current(table)).order_by(table.c.name))
        raise unknown(kind, name, names, f"Check the name, or add the {kind} first.")
    return row.id, row.data
