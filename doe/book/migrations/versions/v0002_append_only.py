"""The database itself refuses changes; gauge readings; the verdict beside each analysis.

Revision 0002. Listing studies showed the last verdict by reading every payload; now it is a column.
"""

from __future__ import annotations

import json

import sqlalchemy as sa
from alembic import op

from doe.book.columns import REFUSE_CHANGE, closing, earlier, link, row_id, texts

revision = "0002"
down_revision = "0001"

_KEPT = (
    "book_info",
    "studies",
    "acts",
    "stacks",
    "lines",
    "gauge_readings",
    "study_entries",
    "rounds",
    "coupons",
    "entries",
    "analyses",
)


def upgrade() -> None:
    """Add the readings and the verdicts, then close every table to changes."""
    op.create_table(
        "gauge_readings",
        row_id(),
        sa.Column("line_name", sa.Text, nullable=False, index=True),
        *texts("data"),
        earlier("withdraws", "gauge_readings"),
        link("act_id", "acts", index=True),
    )
    op.add_column("analyses", sa.Column("verdict", sa.Text, nullable=False, server_default=""))
    _fill_verdicts()
    dialect = op.get_bind().dialect.name
    if dialect == "postgresql":
        op.execute(REFUSE_CHANGE)
    for table in _KEPT:
        for statement in closing(table, dialect):
            op.execute(statement)


def _fill_verdicts() -> None:
    analyses = sa.table(
        "analyses", sa.column("id", sa.Integer), sa.column("payload", sa.Text), sa.column("verdict", sa.Text)
    )
    bind = op.get_bind()
    for row in bind.execute(sa.select(analyses.c.id, analyses.c.payload)).all():
        verdict = json.loads(row.payload).get("verdict")
        if isinstance(verdict, str):
            bind.execute(analyses.update().where(analyses.c.id == row.id).values(verdict=verdict))
