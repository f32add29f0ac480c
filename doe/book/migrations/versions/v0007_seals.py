"""The chain of acts: a seal for each, and for those that are there already.

Revision 0007. Older acts are sealed as they are now: what was changed in them before cannot be seen.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from doe.book import chain
from doe.book.columns import closing, texts

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Add the table, closed to changes, and seal what is there."""
    op.create_table(
        "seals",
        sa.Column("id", sa.Integer, sa.ForeignKey("acts.id"), primary_key=True, autoincrement=False),
        *texts("schema", "digest"),
    )
    chain.seal(op.get_bind())
    for statement in closing("seals", op.get_bind().dialect.name):
        op.execute(statement)
