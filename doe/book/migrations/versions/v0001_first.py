"""Stacks, lines, studies, plans, scores, analyses, and the acts behind them.

Revision 0001, the first.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the first tables."""
    op.create_table("book_info", _id(), _text("uid"), _text("made_at"), _text("made_by"))
    op.create_table("studies", _id(), _text("made_at"))
    op.create_table(
        "acts",
        _id(),
        _text("at"),
        _text("who"),
        _text("verb"),
        _text("subject"),
        sa.Column("study_id", sa.Integer, sa.ForeignKey("studies.id")),
        _text("why"),
        sa.Column("rows_added", sa.Integer, nullable=False),
    )
    op.create_index("ix_acts_study_id", "acts", ["study_id"])
    for name in ("stacks", "lines"):
        op.create_table(name, _id(), _text("name"), _text("data"), _supersedes(name), _link("act_id", "acts"))
        _first_index(name, ["name"])
    op.create_table(
        "study_entries",
        _id(),
        _link("study_id", "studies"),
        _text("name"),
        _text("data"),
        _link("stack_id", "stacks"),
        _link("line_id", "lines"),
        sa.Column("archived", sa.Boolean, nullable=False),
        _supersedes("study_entries"),
        _link("act_id", "acts"),
    )
    op.create_index("ix_study_entries_study_id", "study_entries", ["study_id"])
    op.create_table(
        "rounds",
        _id(),
        _link("study_id", "studies"),
        sa.Column("number", sa.Integer, nullable=False),
        _text("kind"),
        sa.Column("seed", sa.BigInteger, nullable=False),
        _text("notes"),
        _link("act_id", "acts"),
        sa.UniqueConstraint("study_id", "number"),
    )
    op.create_table(
        "coupons",
        _id(),
        _link("study_id", "studies"),
        _link("round_id", "rounds"),
        _text("name"),
        _text("settings"),
        _text("place"),
        _link("act_id", "acts"),
        sa.UniqueConstraint("study_id", "name"),
    )
    op.create_index("ix_coupons_round_id", "coupons", ["round_id"])
    op.create_table(
        "entries",
        _id(),
        _link("coupon_id", "coupons"),
        _text("field"),
        _text("value"),
        sa.Column("scored_at", sa.Text),
        _supersedes("entries"),
        _link("act_id", "acts"),
    )
    op.create_index("ix_entries_coupon_field", "entries", ["coupon_id", "field"])
    _first_index("entries", ["coupon_id", "field"])
    op.create_table(
        "analyses",
        _id(),
        _link("study_id", "studies"),
        _text("kind"),
        _text("inputs_hash"),
        sa.Column("seed", sa.BigInteger, nullable=False),
        _text("version"),
        _text("payload"),
        _link("act_id", "acts"),
    )
    op.create_index("ix_analyses_study_id", "analyses", ["study_id"])
    for name in ("stacks", "lines", "study_entries", "rounds", "coupons", "entries", "analyses"):
        op.create_index(f"ix_{name}_act_id", name, ["act_id"])


def _id() -> sa.Column[int]:
    return sa.Column("id", sa.Integer, primary_key=True)


def _text(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=False)


def _link(name: str, table: str) -> sa.Column[int]:
    return sa.Column(name, sa.Integer, sa.ForeignKey(f"{table}.id"), nullable=False)


def _supersedes(table: str) -> sa.Column[int]:
    return sa.Column("supersedes", sa.Integer, sa.ForeignKey(f"{table}.id"), unique=True)


def _first_index(table: str, columns: list[str]) -> None:
    first = sa.text("supersedes IS NULL")
    op.create_index(f"uq_{table}_first", table, columns, unique=True, sqlite_where=first, postgresql_where=first)
