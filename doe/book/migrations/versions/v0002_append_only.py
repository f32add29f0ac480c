"""The database itself refuses changes; gauge readings; the verdict beside each analysis.

Revision 0002. Listing studies showed the last verdict by reading every payload; now it is a column.
"""

from __future__ import annotations

import json

import sqlalchemy as sa
from alembic import op

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
_REFUSAL = "the book is append-only: correct with a new entry"


def upgrade() -> None:
    """Add the readings and the verdicts, then close every table to changes."""
    op.create_table(
        "gauge_readings",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("line_name", sa.Text, nullable=False),
        sa.Column("data", sa.Text, nullable=False),
        sa.Column("withdraws", sa.Integer, sa.ForeignKey("gauge_readings.id"), unique=True),
        sa.Column("act_id", sa.Integer, sa.ForeignKey("acts.id"), nullable=False),
    )
    op.create_index("ix_gauge_readings_line_name", "gauge_readings", ["line_name"])
    op.create_index("ix_gauge_readings_act_id", "gauge_readings", ["act_id"])
    op.add_column("analyses", sa.Column("verdict", sa.Text, nullable=False, server_default=""))
    _fill_verdicts()
    if op.get_bind().dialect.name == "sqlite":
        for table in _KEPT:
            for act in ("UPDATE", "DELETE"):
                op.execute(
                    f"CREATE TRIGGER no_{act.lower()}_{table} BEFORE {act} ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, '{_REFUSAL}'); END"
                )
    elif op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{_REFUSAL}'; END $$"
        )
        for table in _KEPT:
            op.execute(
                f"CREATE TRIGGER no_change_{table} BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
                "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
            )


def _fill_verdicts() -> None:
    analyses = sa.table(
        "analyses", sa.column("id", sa.Integer), sa.column("payload", sa.Text), sa.column("verdict", sa.Text)
    )
    bind = op.get_bind()
    for row in bind.execute(sa.select(analyses.c.id, analyses.c.payload)).all():
        verdict = json.loads(row.payload).get("verdict")
        if isinstance(verdict, str):
            bind.execute(analyses.update().where(analyses.c.id == row.id).values(verdict=verdict))
