"""Columns that tables of the book are made of, and what closes a table to changes.

The tables as they are now and every step that led to them are made of these: what stands here never changes.
"""

from __future__ import annotations

import sqlalchemy as sa

_REFUSAL = "the book is append-only: correct with a new entry"


def row_id() -> sa.Column[int]:
    """Number of a row."""
    return sa.Column("id", sa.Integer, primary_key=True)


def texts(*names: str) -> list[sa.Column[str]]:
    """Columns of text, never empty."""
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def link(name: str, table: str, *, index: bool = False) -> sa.Column[int]:
    """Column that names a row of another table."""
    return sa.Column(name, sa.Integer, sa.ForeignKey(f"{table}.id"), nullable=False, index=index)


def earlier(name: str, table: str) -> sa.Column[int]:
    """Column that names the row of its own table that this one ends."""
    # unique: two rows cannot end the same one, so a history never forks
    return sa.Column(name, sa.Integer, sa.ForeignKey(f"{table}.id"), unique=True)


def closing(table: str, dialect: str) -> list[str]:
    """Statements after which the database itself refuses changes of a table; the server needs `REFUSE_CHANGE` first."""
    if dialect == "sqlite":
        return [
            f"CREATE TRIGGER no_{act.lower()}_{table} BEFORE {act} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{_REFUSAL}'); END"
            for act in ("UPDATE", "DELETE")
        ]
    if dialect == "postgresql":
        return [
            f"CREATE TRIGGER no_change_{table} BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        ]
    return []


REFUSE_CHANGE = (
    f"CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION '{_REFUSAL}'; END $$"
)
"""Statement that makes the function behind the triggers of a server."""
