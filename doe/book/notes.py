"""Notes of the shop beyond its studies, such as cases that were diagnosed and practice of apprentices.

What is in a note is the business of those who write it: the book keeps a topic, a name and a dictionary.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import uuid4

import sqlalchemy as sa

from doe.book.records import ShopNote
from doe.book.store import Writing, new_id
from doe.book.tables import acts, shop_notes
from doe.book.text import from_text, moment_of, to_text
from doe.domain.errors import InputError


def add(writing: Writing, topic: str, name: str, data: Mapping[str, Any]) -> int:
    """Keep a note; returns its id.

    Raises
    ------
    InputError
        If topic or name is empty.
    """
    for label, text in (("topic", topic), ("name", name)):
        if not text.strip():
            raise InputError(f"note, {label}", "nothing", "text", "Say what the note is about.")
    act = writing.act(f"note {topic}", name, rows=1)
    row = {"uid": uuid4().hex, "topic": topic, "name": name, "data": to_text(data), "act_id": act}
    return new_id(writing.connection, shop_notes.insert().values(**row))


def withdraw(writing: Writing, note_id: int, why: str) -> None:
    """Take a mistaken note back; it stays in the book.

    Raises
    ------
    InputError
        If there is no such note, it is withdrawn already, or there is no why.
    """
    where = f"note {note_id}"
    row = writing.connection.execute(
        sa.select(shop_notes, _is_withdrawn().label("gone")).where(
            shop_notes.c.id == note_id, shop_notes.c.withdraws.is_(None)
        )
    ).one_or_none()
    if row is None or row.gone:
        found = "no such note" if row is None else "a note that is withdrawn already"
        raise InputError(where, found, "a note that counts", "Look up its number in the list.")
    if not why.strip():
        raise InputError(where, "no reason", "a reason", "Say why it does not count.")
    act = writing.act(f"withdraw {row.topic}", row.name, rows=1, why=why)
    again = {"uid": uuid4().hex, "topic": row.topic, "name": row.name, "data": row.data, "withdraws": note_id}
    writing.connection.execute(shop_notes.insert().values(**again, act_id=act))


def all_of(connection: sa.Connection, topic: str, name: str | None = None) -> tuple[ShopNote, ...]:
    """Notes of a topic that count, oldest first; only those of one name if it is given."""
    query = (
        sa.select(shop_notes, acts.c.who, acts.c.at)
        .join(acts, shop_notes.c.act_id == acts.c.id)
        .where(shop_notes.c.topic == topic, shop_notes.c.withdraws.is_(None), ~_is_withdrawn())
        .order_by(shop_notes.c.id)
    )
    if name is not None:
        query = query.where(shop_notes.c.name == name)
    return tuple(
        ShopNote(row.id, row.topic, row.name, from_text(row.data), row.who, moment_of(row.at))
        for row in connection.execute(query)
    )


def _is_withdrawn() -> sa.ColumnElement[bool]:
    later = shop_notes.alias("later_notes")
    return sa.exists().where(later.c.withdraws == shop_notes.c.id)
