"""The chain of acts: each is sealed with a digest of itself, of every row it added, and of the seal before it.

A value changed, a row taken out or put in, an act removed: its seal no longer fits. Who rewrites the seals from there
to the end as well changes the last one, the head, which stands on reports and cards that are out of reach by then.

Digests are of what was stored, as text, so that a book carried to a server or back keeps its seals.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterable, Iterator
from contextlib import closing
from functools import cache
from typing import Any

import sqlalchemy as sa

from doe.book.tables import KEPT, SCHEMA_VERSION, Json, Moment, acts, as_text, seals, studies

SHOWN = 16
"""Signs of a seal that are printed: nobody finds a second history with the same ones."""

_MOST = 2**31 - 1
"""No row has a larger id."""
_HEAD = sa.select(seals.c.id, seals.c.digest).order_by(seals.c.id.desc()).limit(1)
_AFTER = sa.select(acts.c.id).where(acts.c.id > sa.bindparam("last")).order_by(acts.c.id)
_INSERT = seals.insert()

_OF_ACTS = tuple(table for table in KEPT if "act_id" in table.c)
ADDED: dict[str, str] = {}
"""Columns (``table.column``) that came after the first chained schema, and the schema they came with: a seal of an
older schema leaves them out. A step that adds a column to a table of acts names it here."""


def _columns(table: sa.Table, schema: str) -> list[sa.ColumnElement[Any]]:
    return [
        as_text(column).label(column.name) if isinstance(column.type, Json | Moment) else column
        for column in table.columns
        if ADDED.get(str(column), "") <= schema
    ]


def _plain(value: Any) -> Any:
    return hashlib.sha256(value).hexdigest() if isinstance(value, bytes | memoryview) else value


@cache
def _query(table: sa.Table, schema: str) -> sa.Select[Any]:
    """What its rows from one act to another are found by (their act; a study's or an act's id), and their values."""
    key = table.c.act_id if "act_id" in table.c else table.c.id
    which = key.between(sa.bindparam("first"), sa.bindparam("last"))
    return sa.select(key.label("found_by"), *_columns(table, schema)).where(which).order_by(table.c.id)


def _rows(
    connection: sa.Connection, table: sa.Table, schema: str, first: int, last: int, *, many: bool = False
) -> Iterator[tuple[Any, list[Any]]]:
    """Rows of a table in order, as `_query` has them.

    ``many`` are fetched a few at a time, as photos are among them.
    """
    query = _query(table, schema)
    if many:
        query = query.execution_options(stream_results=True, max_row_buffer=50)
    with closing(connection.execute(query, {"first": first, "last": last})) as rows:
        for found_by, *values in rows:
            yield found_by, [_plain(value) for value in values]


@cache
def _acts(schema: str) -> sa.Select[Any]:
    which = acts.c.id.between(sa.bindparam("first"), sa.bindparam("last"))
    return sa.select(*_columns(acts, schema)).where(which).order_by(acts.c.id)


def digests(connection: sa.Connection, schema: str, numbers: Iterable[int]) -> Iterator[tuple[int, str, sa.Row[Any]]]:
    """For acts in order: number, digest of all but the seal before, and the act itself."""
    wanted = sorted(numbers)
    if not wanted:
        return
    first, last = wanted[0], wanted[-1]
    added: dict[int, list[Any]] = defaultdict(list)
    for table in _OF_ACTS:
        for act, values in _rows(connection, table, schema, first, last, many=len(wanted) > 1):
            added[act].append([table.name, *values])
    made = dict(_rows(connection, studies, schema, 0, _MOST)) if len(wanted) > 1 else {}
    chosen = set(wanted)
    for act in connection.execute(_acts(schema), {"first": first, "last": last}).all():
        if act.id in chosen:
            study = made.get(act.study_id)
            if study is None and act.study_id is not None:
                study = next((s for _, s in _rows(connection, studies, schema, act.study_id, act.study_id)), None)
            text = json.dumps([list(act), study, added[act.id]], ensure_ascii=True, separators=(",", ":"))
            yield act.id, hashlib.sha256(text.encode()).hexdigest(), act


def _after(before: str, digest: str) -> str:
    return hashlib.sha256(f"{before}\n{digest}".encode()).hexdigest()


def seal(connection: sa.Connection) -> None:
    """Seal the acts of a transaction, at its end."""
    last, before = head(connection) or (0, "")
    new = list(connection.scalars(_AFTER, {"last": last}))
    rows = []
    for number, digest, _ in digests(connection, SCHEMA_VERSION, new):
        before = _after(before, digest)
        rows.append({"id": number, "schema": SCHEMA_VERSION, "digest": before})
    if rows:
        connection.execute(_INSERT, rows)


def head(connection: sa.Connection) -> tuple[int, str] | None:
    """Number of the last sealed act, and its seal; None in an empty book."""
    row = connection.execute(_HEAD).one_or_none()
    return None if row is None else (row.id, row.digest)


def is_sealed(connection: sa.Connection, start: str) -> bool:
    """Whether some act has a seal that starts like this."""
    wanted = "".join(start.split()).lower()
    return any(digest.startswith(wanted) for digest in connection.scalars(sa.select(seals.c.digest)))


def faults(connection: sa.Connection) -> Iterator[str]:
    """Acts that are not what was sealed, as sentences."""
    sealed = {row.id: row for row in connection.execute(sa.select(seals).order_by(seals.c.id))}
    there = set(connection.scalars(sa.select(acts.c.id)))
    for number in sorted(sealed.keys() - there):
        yield f"Act {number} was taken out: its seal is there, the act is not."
    for number in sorted(there - sealed.keys()):
        yield f"Act {number} has no seal: it was put in by something else than this program, or its seal was taken out."
    found: dict[int, tuple[str, sa.Row[Any]]] = {}
    for schema in sorted({row.schema for row in sealed.values()}):
        mine = [number for number in there if number in sealed and sealed[number].schema == schema]
        found |= {number: (digest, act) for number, digest, act in digests(connection, schema, mine)}
    before = ""
    for number, row in sealed.items():
        if number in found:
            digest, act = found[number]
            if _after(before, digest) != row.digest:
                yield (
                    f"Act {number} ({act.verb} {act.subject}, by {act.who}, {act.at[:10]}) is not what was stored: it, "
                    "a row of it, or the seal before it was changed."
                )
        before = row.digest
