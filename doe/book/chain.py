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
from typing import Any

import sqlalchemy as sa

from doe.book.tables import KEPT, SCHEMA_VERSION, Json, Moment, acts, as_text, seals, studies

SHOWN = 16
"""Signs of a seal that are printed: nobody finds a second history with the same ones."""

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


def _rows(
    connection: sa.Connection, table: sa.Table, schema: str, which: sa.ColumnElement[bool], *, many: bool = False
) -> Iterator[tuple[Any, list[Any]]]:
    """Rows of a table in order: what they are found by (their act; a study's id), and their values.

    ``many`` are fetched a few at a time, as photos are among them.
    """
    key = table.c.act_id if "act_id" in table.c else table.c.id
    query = sa.select(key.label("found_by"), *_columns(table, schema)).where(which).order_by(table.c.id)
    options = {"stream_results": True, "max_row_buffer": 50} if many else {}
    with closing(connection.execute(query.execution_options(**options))) as rows:
        for found_by, *values in rows:
            yield found_by, [_plain(value) for value in values]


def digests(connection: sa.Connection, schema: str, numbers: Iterable[int]) -> Iterator[tuple[int, str, sa.Row[Any]]]:
    """For acts in order: number, digest of all but the seal before, and the act itself."""
    wanted = sorted(numbers)
    if not wanted:
        return
    between = (wanted[0], wanted[-1])
    added: dict[int, list[Any]] = defaultdict(list)
    for table in _OF_ACTS:
        for act, values in _rows(connection, table, schema, table.c.act_id.between(*between), many=len(wanted) > 1):
            added[act].append([table.name, *values])
    made = dict(_rows(connection, studies, schema, sa.true())) if len(wanted) > 1 else {}
    query = sa.select(*_columns(acts, schema)).where(acts.c.id.between(*between)).order_by(acts.c.id)
    chosen = set(wanted)
    for act in connection.execute(query).all():
        if act.id in chosen:
            study = made.get(act.study_id)
            if study is None and act.study_id is not None:
                study = next((s for _, s in _rows(connection, studies, schema, studies.c.id == act.study_id)), None)
            text = json.dumps([list(act), study, added[act.id]], ensure_ascii=True, separators=(",", ":"))
            yield act.id, hashlib.sha256(text.encode()).hexdigest(), act


def _after(before: str, digest: str) -> str:
    return hashlib.sha256(f"{before}\n{digest}".encode()).hexdigest()


def seal(connection: sa.Connection) -> None:
    """Seal the acts of a transaction, at its end."""
    last, before = head(connection) or (0, "")
    new = list(connection.scalars(sa.select(acts.c.id).where(acts.c.id > last).order_by(acts.c.id)))
    rows = []
    for number, digest, _ in digests(connection, SCHEMA_VERSION, new):
        before = _after(before, digest)
        rows.append({"id": number, "schema": SCHEMA_VERSION, "digest": before})
    if rows:
        connection.execute(seals.insert(), rows)


def head(connection: sa.Connection) -> tuple[int, str] | None:
    """Number of the last sealed act, and its seal; None in an empty book."""
    row = connection.execute(sa.select(seals.c.id, seals.c.digest).order_by(seals.c.id.desc()).limit(1)).one_or_none()
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
