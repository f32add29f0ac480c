"""The tables of the book as they are now. How they came to be is in `doe.book.migrations`.

Every row belongs to one act (who, when, why), and no row is ever changed or removed: a later row says ``supersedes``.
"""

from __future__ import annotations

import sqlalchemy as sa

SCHEMA_VERSION = "0005"
"""Revision this program reads and writes; the newest of `doe.book.migrations.versions`."""

VERSION_TABLE = "book_version"

metadata = sa.MetaData()


def _id() -> sa.Column[int]:
    return sa.Column("id", sa.Integer, primary_key=True)


def _act() -> sa.Column[int]:
    return sa.Column("act_id", sa.ForeignKey("acts.id"), nullable=False)


def _supersedes(table: str) -> sa.Column[int]:
    # unique: two rows cannot supersede the same one, so a history never forks
    return sa.Column("supersedes", sa.ForeignKey(f"{table}.id"), unique=True)


book_info = sa.Table(
    "book_info",
    metadata,
    _id(),
    sa.Column("uid", sa.Text, nullable=False),
    sa.Column("made_at", sa.Text, nullable=False),
    sa.Column("made_by", sa.Text, nullable=False),
)

studies = sa.Table("studies", metadata, _id(), sa.Column("made_at", sa.Text, nullable=False))

acts = sa.Table(
    "acts",
    metadata,
    _id(),
    sa.Column("at", sa.Text, nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("verb", sa.Text, nullable=False),
    sa.Column("subject", sa.Text, nullable=False),
    sa.Column("study_id", sa.ForeignKey("studies.id")),
    sa.Column("why", sa.Text, nullable=False),
    sa.Column("rows_added", sa.Integer, nullable=False),  # lets `check` see a half-written act
)

stacks = sa.Table(
    "stacks",
    metadata,
    _id(),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("data", sa.Text, nullable=False),
    _supersedes("stacks"),
    _act(),
)

lines = sa.Table(
    "lines",
    metadata,
    _id(),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("data", sa.Text, nullable=False),
    _supersedes("lines"),
    _act(),
)

gauge_readings = sa.Table(
    "gauge_readings",
    metadata,
    _id(),
    sa.Column("line_name", sa.Text, nullable=False, index=True),
    sa.Column("data", sa.Text, nullable=False),
    sa.Column("withdraws", sa.ForeignKey("gauge_readings.id"), unique=True),
    _act(),
)

study_entries = sa.Table(
    "study_entries",
    metadata,
    _id(),
    sa.Column("study_id", sa.ForeignKey("studies.id"), nullable=False, index=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("data", sa.Text, nullable=False),
    sa.Column("stack_id", sa.ForeignKey("stacks.id"), nullable=False),
    sa.Column("line_id", sa.ForeignKey("lines.id"), nullable=False),
    sa.Column("archived", sa.Boolean, nullable=False),
    _supersedes("study_entries"),
    _act(),
)

rounds = sa.Table(
    "rounds",
    metadata,
    _id(),
    sa.Column("study_id", sa.ForeignKey("studies.id"), nullable=False),
    sa.Column("number", sa.Integer, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("seed", sa.BigInteger, nullable=False),
    sa.Column("notes", sa.Text, nullable=False),
    sa.Column("scale", sa.Text, nullable=False, server_default="dial"),
    _act(),
    sa.UniqueConstraint("study_id", "number"),
)

coupons = sa.Table(
    "coupons",
    metadata,
    _id(),
    sa.Column("study_id", sa.ForeignKey("studies.id"), nullable=False),
    sa.Column("round_id", sa.ForeignKey("rounds.id"), nullable=False, index=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("settings", sa.Text, nullable=False),
    sa.Column("place", sa.Text, nullable=False),  # batches, order, garment, stroke, role
    _act(),
    sa.UniqueConstraint("study_id", "name"),
)

entries = sa.Table(
    "entries",
    metadata,
    _id(),
    sa.Column("coupon_id", sa.ForeignKey("coupons.id"), nullable=False),
    sa.Column("field", sa.Text, nullable=False),
    sa.Column("value", sa.Text, nullable=False),
    sa.Column("scored_at", sa.Text),
    _supersedes("entries"),
    _act(),
    sa.Index("ix_entries_coupon_field", "coupon_id", "field"),
)

# one beginning for each history; with `supersedes` unique, a coupon has one current value a field, whoever writes
for _table, _columns in ((entries, ("coupon_id", "field")), (stacks, ("name",)), (lines, ("name",))):
    _first = _table.c.supersedes.is_(None)
    sa.Index(
        f"uq_{_table.name}_first",
        *(_table.c[name] for name in _columns),
        unique=True,
        sqlite_where=_first,
        postgresql_where=_first,
    )

analyses = sa.Table(
    "analyses",
    metadata,
    _id(),
    sa.Column("study_id", sa.ForeignKey("studies.id"), nullable=False, index=True),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("inputs_hash", sa.Text, nullable=False),
    sa.Column("seed", sa.BigInteger, nullable=False),
    sa.Column("version", sa.Text, nullable=False),
    sa.Column("payload", sa.Text, nullable=False),
    sa.Column("verdict", sa.Text, nullable=False, server_default=""),
    _act(),
)

shop_notes = sa.Table(
    "shop_notes",
    metadata,
    _id(),
    sa.Column("uid", sa.Text, nullable=False, unique=True),  # an export may come to where it was made
    sa.Column("topic", sa.Text, nullable=False, index=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("data", sa.Text, nullable=False),
    sa.Column("withdraws", sa.ForeignKey("shop_notes.id"), unique=True),
    _act(),
)

recipes = sa.Table(
    "recipes",
    metadata,
    _id(),
    sa.Column("uid", sa.Text, nullable=False, unique=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("revision", sa.Integer, nullable=False),
    sa.Column("event", sa.Text, nullable=False),  # release or retire
    sa.Column("study_id", sa.ForeignKey("studies.id")),
    sa.Column("data", sa.Text, nullable=False),
    _act(),
    sa.UniqueConstraint("name", "revision", "event"),  # two people cannot both release the next revision
)

photos = sa.Table(
    "photos",
    metadata,
    _id(),
    sa.Column("uid", sa.Text, nullable=False, unique=True),
    sa.Column("coupon_id", sa.ForeignKey("coupons.id"), nullable=False, index=True),
    sa.Column("face", sa.Text, nullable=False),
    sa.Column("media_type", sa.Text, nullable=False),
    sa.Column("sha256", sa.Text, nullable=False),
    sa.Column("size", sa.Integer, nullable=False),
    sa.Column("image", sa.LargeBinary, nullable=False),
    sa.Column("withdraws", sa.ForeignKey("photos.id"), unique=True),
    _act(),
)

for _name in (
    "acts",
    "stacks",
    "lines",
    "gauge_readings",
    "study_entries",
    "rounds",
    "coupons",
    "entries",
    "analyses",
    "shop_notes",
    "recipes",
    "photos",
):
    _table = metadata.tables[_name]
    if _name != "acts":
        sa.Index(f"ix_{_name}_act_id", _table.c.act_id)
sa.Index("ix_acts_study_id", acts.c.study_id)

KEPT = (
    studies,
    acts,
    stacks,
    lines,
    gauge_readings,
    study_entries,
    rounds,
    coupons,
    entries,
    analyses,
    shop_notes,
    recipes,
    photos,
)
"""Tables of what people entered, parents before children."""

JSON_COLUMNS = ("data", "notes", "settings", "place", "value", "payload")
"""Text columns that hold JSON."""
