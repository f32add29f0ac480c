"""Notes of the shop beyond its studies: cases that were diagnosed, practice of apprentices.

Revision 0003.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from doe.book.columns import closing, earlier, link, row_id, texts

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add the table, closed to changes like every other."""
    op.create_table(
        "shop_notes",
        row_id(),
        sa.Column("uid", sa.Text, nullable=False, unique=True),
        sa.Column("topic", sa.Text, nullable=False, index=True),
        *texts("name", "data"),
        earlier("withdraws", "shop_notes"),
        link("act_id", "acts", index=True),
    )
    for statement in closing("shop_notes", op.get_bind().dialect.name):
        op.execute(statement)
