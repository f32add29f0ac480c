"""Notes of the shop beyond its studies: cases that were diagnosed, practice of apprentices.

Revision 0003.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

_REFUSAL = "the book is append-only: correct with a new entry"


def upgrade() -> None:
    """Add the table, closed to changes like every other."""
    op.create_table(
        "shop_notes",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("uid", sa.Text, nullable=False, unique=True),
        sa.Column("topic", sa.Text, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("data", sa.Text, nullable=False),
        sa.Column("withdraws", sa.Integer, sa.ForeignKey("shop_notes.id"), unique=True),
        sa.Column("act_id", sa.Integer, sa.ForeignKey("acts.id"), nullable=False),
    )
    op.create_index("ix_shop_notes_topic", "shop_notes", ["topic"])
    op.create_index("ix_shop_notes_act_id", "shop_notes", ["act_id"])
    if op.get_bind().dialect.name == "sqlite":
        for act in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER no_{act.lower()}_shop_notes BEFORE {act} ON shop_notes "
                f"BEGIN SELECT RAISE(ABORT, '{_REFUSAL}'); END"
            )
    elif op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE TRIGGER no_change_shop_notes BEFORE UPDATE OR DELETE OR TRUNCATE ON shop_notes "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        )
