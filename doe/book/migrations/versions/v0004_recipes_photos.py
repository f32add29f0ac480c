"""Recipes with their revisions, and photos of coupons.

Revision 0004.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from doe.book.columns import closing, earlier, link, row_id, texts

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add both tables, closed to changes like every other."""
    op.create_table(
        "recipes",
        row_id(),
        sa.Column("uid", sa.Text, nullable=False, unique=True),
        *texts("name"),
        sa.Column("revision", sa.Integer, nullable=False),
        *texts("event"),
        sa.Column("study_id", sa.Integer, sa.ForeignKey("studies.id")),
        *texts("data"),
        link("act_id", "acts", index=True),
        sa.UniqueConstraint("name", "revision", "event"),
    )
    op.create_table(
        "photos",
        row_id(),
        sa.Column("uid", sa.Text, nullable=False, unique=True),
        link("coupon_id", "coupons", index=True),
        *texts("face", "media_type", "sha256"),
        sa.Column("size", sa.Integer, nullable=False),
        sa.Column("image", sa.LargeBinary, nullable=False),
        earlier("withdraws", "photos"),
        link("act_id", "acts", index=True),
    )
    for table in ("recipes", "photos"):
        for statement in closing(table, op.get_bind().dialect.name):
            op.execute(statement)
