"""Recipes with their revisions, and photos of coupons.

Revision 0004.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"

_REFUSAL = "the book is append-only: correct with a new entry"


def upgrade() -> None:
    """Add both tables, closed to changes like every other."""
    op.create_table(
        "recipes",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("uid", sa.Text, nullable=False, unique=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("event", sa.Text, nullable=False),
        sa.Column("study_id", sa.Integer, sa.ForeignKey("studies.id")),
        sa.Column("data", sa.Text, nullable=False),
        sa.Column("act_id", sa.Integer, sa.ForeignKey("acts.id"), nullable=False),
        sa.UniqueConstraint("name", "revision", "event"),
    )
    op.create_table(
        "photos",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("uid", sa.Text, nullable=False, unique=True),
        sa.Column("coupon_id", sa.Integer, sa.ForeignKey("coupons.id"), nullable=False),
        sa.Column("face", sa.Text, nullable=False),
        sa.Column("media_type", sa.Text, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("size", sa.Integer, nullable=False),
        sa.Column("image", sa.LargeBinary, nullable=False),
        sa.Column("withdraws", sa.Integer, sa.ForeignKey("photos.id"), unique=True),
        sa.Column("act_id", sa.Integer, sa.ForeignKey("acts.id"), nullable=False),
    )
    op.create_index("ix_photos_coupon_id", "photos", ["coupon_id"])
    for table in ("recipes", "photos"):
        op.create_index(f"ix_{table}_act_id", table, ["act_id"])
        if op.get_bind().dialect.name == "sqlite":
            for act in ("UPDATE", "DELETE"):
                op.execute(
                    f"CREATE TRIGGER no_{act.lower()}_{table} BEFORE {act} ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, '{_REFUSAL}'); END"
                )
        elif op.get_bind().dialect.name == "postgresql":
            op.execute(
                f"CREATE TRIGGER no_change_{table} BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
                "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
            )
