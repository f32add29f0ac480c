"""What the page at the press must not forget between two requests: devices, answers to forms, the pairing code.

Revision 0006. No history of the shop: its rows come and go, and an export leaves them out.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from doe.book.columns import texts

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Add the table, open to changes."""
    op.create_table(
        "page_state",
        sa.Column("kind", sa.Text, primary_key=True),
        sa.Column("key", sa.Text, primary_key=True),
        sa.Column("at", sa.Double, nullable=False),
        *texts("value"),
    )
