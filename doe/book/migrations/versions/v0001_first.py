"""Stacks, lines, studies, plans, scores, analyses, and the acts behind them.

Revision 0001, the first.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from doe.book.columns import earlier, link, row_id, texts

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the first tables."""
    op.create_table("book_info", row_id(), *texts("uid", "made_at", "made_by"))
    op.create_table("studies", row_id(), *texts("made_at"))
    op.create_table(
        "acts",
        row_id(),
        *texts("at", "who", "verb", "subject"),
        sa.Column("study_id", sa.Integer, sa.ForeignKey("studies.id"), index=True),
        *texts("why"),
        sa.Column("rows_added", sa.Integer, nullable=False),
    )
    for name in ("stacks", "lines"):
        op.create_table(
            name, row_id(), *texts("name", "data"), earlier("supersedes", name), link("act_id", "acts", index=True)
        )
        _first_index(name, ["name"])
    op.create_table(
        "study_entries",
        row_id(),
        link("study_id", "studies", index=True),
        *texts("name", "data"),
        link("stack_id", "stacks"),
        link("line_id", "lines"),
        sa.Column("archived", sa.Boolean, nullable=False),
        earlier("supersedes", "study_entries"),
        link("act_id", "acts", index=True),
    )
    op.create_table(
        "rounds",
        row_id(),
        link("study_id", "studies"),
        sa.Column("number", sa.Integer, nullable=False),
        *texts("kind"),
        sa.Column("seed", sa.BigInteger, nullable=False),
        *texts("notes"),
        link("act_id", "acts", index=True),
        sa.UniqueConstraint("study_id", "number"),
    )
    op.create_table(
        "coupons",
        row_id(),
        link("study_id", "studies"),
        link("round_id", "rounds", index=True),
        *texts("name", "settings", "place"),
        link("act_id", "acts", index=True),
        sa.UniqueConstraint("study_id", "name"),
    )
    op.create_table(
        "entries",
        row_id(),
        link("coupon_id", "coupons"),
        *texts("field", "value"),
        sa.Column("scored_at", sa.Text),
        earlier("supersedes", "entries"),
        link("act_id", "acts", index=True),
    )
    op.create_index("ix_entries_coupon_field", "entries", ["coupon_id", "field"])
    _first_index("entries", ["coupon_id", "field"])
    op.create_table(
        "analyses",
        row_id(),
        link("study_id", "studies", index=True),
        *texts("kind", "inputs_hash"),
        sa.Column("seed", sa.BigInteger, nullable=False),
        *texts("version", "payload"),
        link("act_id", "acts", index=True),
    )


def _first_index(table: str, columns: list[str]) -> None:
    first = sa.text("supersedes IS NULL")
    op.create_index(f"uq_{table}_first", table, columns, unique=True, sqlite_where=first, postgresql_where=first)
