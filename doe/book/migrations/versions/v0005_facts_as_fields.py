"""What two sentences decided becomes a field: the scale of a round's temperatures, and of a recipe's coupons.

Revision 0005. This step alone may change stored rows: it writes the same facts in another place.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import sqlalchemy as sa
from alembic import op

from doe.book.columns import closing
from doe.book.older import recipe_with_facts, scale_of_notes

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Add the scale of rounds, and fill it and the field of recipes from the sentences."""
    op.add_column("rounds", sa.Column("scale", sa.Text, nullable=False, server_default="dial"))
    with _open_to_changes("rounds"):
        _rewrite("rounds", "notes", _scaled)
    with _open_to_changes("recipes"):
        _rewrite("recipes", "data", lambda data: {"data": recipe_with_facts(data)})


def _scaled(notes: list[Any]) -> dict[str, Any]:
    scale, rest = scale_of_notes(notes)
    return {"scale": scale, "notes": rest}


def _rewrite(name: str, column: str, change: Callable[[Any], dict[str, Any]]) -> None:
    table = sa.table(name, sa.column("id", sa.Integer), sa.column(column, sa.Text), sa.column("scale", sa.Text))
    bind = op.get_bind()
    for row_id, text in bind.execute(sa.select(table.c.id, table.c[column])).all():
        found = json.loads(text)
        changed = change(found)
        if changed == {column: found}:
            continue
        kept = {
            key: value if key == "scale" else json.dumps(value, ensure_ascii=False) for key, value in changed.items()
        }
        bind.execute(table.update().where(table.c.id == row_id).values(**kept))


@contextmanager
def _open_to_changes(table: str) -> Iterator[None]:
    dialect = op.get_bind().dialect.name
    if dialect == "sqlite":
        op.execute(f"DROP TRIGGER no_update_{table}")
        yield
        op.execute(closing(table, dialect)[0])
    elif dialect == "postgresql":
        op.execute(f"ALTER TABLE {table} DISABLE TRIGGER no_change_{table}")
        yield
        op.execute(f"ALTER TABLE {table} ENABLE TRIGGER no_change_{table}")
    else:
        yield
