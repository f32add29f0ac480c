"""The tables of the book as they are now. How they came to be is in `doe.book.migrations`.

Every row belongs to one act (who, when, why), and no row is ever changed or removed: a later row says ``supersedes``.
"""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from functools import cache
from typing import Any

import sqlalchemy as sa

from doe.book.columns import earlier, link, row_id, texts
from doe.domain.serial import to_plain

SCHEMA_VERSION = "0008"
"""Revision this program reads and writes; the newest of `doe.book.migrations.versions`."""

VERSION_TABLE = "book_version"

metadata = sa.MetaData()


def stamp(moment: datetime) -> str:
    """Time as text in UTC, always of one length so that text sorts as time does."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


def to_text(thing: Any) -> str:
    """JSON of dataclasses, mappings, lists, numbers and text; NumPy values become plain ones, NaN becomes null."""
    return json.dumps(to_plain(thing), ensure_ascii=False, allow_nan=False, default=_plain_array)


def _plain_array(thing: Any) -> Any:
    if isinstance(thing, datetime):
        return stamp(thing)
    if isinstance(thing, date):
        return thing.isoformat()
    if hasattr(thing, "tolist"):  # NumPy scalars and arrays, without importing NumPy here
        return to_plain(thing.tolist())
    raise TypeError(f"cannot keep a {type(thing).__name__} in the book")


class Json(sa.TypeDecorator[Any]):
    """Text that holds JSON: `to_text` writes it."""

    impl = sa.Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: sa.Dialect) -> str:
        """Text of what goes into the book."""
        return to_text(value)

    def process_result_value(self, value: str | None, dialect: sa.Dialect) -> Any:
        """What the text says."""
        return None if value is None else json.loads(value)


class Moment(sa.TypeDecorator[datetime]):
    """Text that holds a time in UTC: `stamp` writes it, or an import, which has it as text."""

    impl = sa.Text
    cache_ok = True

    def process_bind_param(self, value: datetime | str | None, dialect: sa.Dialect) -> str | None:
        """Text of a time."""
        return stamp(value) if isinstance(value, datetime) else value

    def process_result_value(self, value: str | None, dialect: sa.Dialect) -> datetime | None:
        """Time of the text."""
        return None if value is None else datetime.fromisoformat(value)


def as_text(column: sa.ColumnElement[Any]) -> sa.ColumnElement[Any]:
    """A column as it stands in the database, JSON and times as text."""
    return sa.type_coerce(column, sa.Text)


def _table(name: str, *parts: sa.schema.SchemaItem) -> sa.Table:
    """A table whose rows each belong to an act."""
    return sa.Table(name, metadata, row_id(), *parts, link("act_id", "acts", index=True))


def _json(name: str) -> sa.Column[Any]:
    return sa.Column(name, Json, nullable=False)


def _moment(name: str) -> sa.Column[datetime]:
    return sa.Column(name, Moment, nullable=False)


def _whole(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.Integer, nullable=False)


def _seed() -> sa.Column[int]:
    return sa.Column("seed", sa.BigInteger, nullable=False)


def _uid() -> sa.Column[str]:
    return sa.Column("uid", sa.Text, nullable=False, unique=True)  # an export may come to where it was made


book_info = sa.Table("book_info", metadata, row_id(), *texts("uid"), _moment("made_at"), *texts("made_by"))

studies = sa.Table("studies", metadata, row_id(), _moment("made_at"))

acts = sa.Table(
    "acts",
    metadata,
    row_id(),
    _moment("at"),
    *texts("who", "verb", "subject"),
    sa.Column("study_id", sa.ForeignKey("studies.id"), index=True),
    *texts("why"),
    _whole("rows_added"),  # lets `check` see a half-written act
)

stacks = _table("stacks", *texts("name"), _json("data"), earlier("supersedes", "stacks"))

lines = _table("lines", *texts("name"), _json("data"), earlier("supersedes", "lines"))

gauge_readings = _table(
    "gauge_readings",
    sa.Column("line_name", sa.Text, nullable=False, index=True),
    _json("data"),
    earlier("withdraws", "gauge_readings"),
)

study_entries = _table(
    "study_entries",
    link("study_id", "studies", index=True),
    *texts("name"),
    _json("data"),
    link("stack_id", "stacks"),
    link("line_id", "lines"),
    sa.Column("archived", sa.Boolean, nullable=False),
    earlier("supersedes", "study_entries"),
)

rounds = _table(
    "rounds",
    link("study_id", "studies"),
    _whole("number"),
    *texts("kind"),
    _seed(),
    _json("notes"),
    sa.Column("scale", sa.Text, nullable=False, server_default="dial"),
    sa.UniqueConstraint("study_id", "number"),
)

coupons = _table(
    "coupons",
    link("study_id", "studies"),
    link("round_id", "rounds", index=True),
    *texts("name"),
    _json("settings"),
    _json("place"),  # batches, order, garment, stroke, role
    sa.UniqueConstraint("study_id", "name"),
)

entries = _table(
    "entries",
    link("coupon_id", "coupons"),
    *texts("field"),
    _json("value"),
    sa.Column("scored_at", Moment),
    earlier("supersedes", "entries"),
    sa.Index("ix_entries_coupon_field", "coupon_id", "field"),
)

# One beginning for each history: of rows that supersede none. With `supersedes` unique, a coupon has one current value
# a field, whoever writes. The condition stands in the first migration: said here, every command would load what
# SQLAlchemy knows of servers.
for _first, _columns in ((entries, ("coupon_id", "field")), (stacks, ("name",)), (lines, ("name",))):
    sa.Index(f"uq_{_first.name}_first", *(_first.c[name] for name in _columns), unique=True)

analyses = _table(
    "analyses",
    link("study_id", "studies", index=True),
    *texts("kind", "inputs_hash"),
    _seed(),
    *texts("version"),
    _json("payload"),
    sa.Column("verdict", sa.Text, nullable=False, server_default=""),
)

shop_notes = _table(
    "shop_notes",
    _uid(),
    sa.Column("topic", sa.Text, nullable=False, index=True),
    *texts("name"),
    _json("data"),
    earlier("withdraws", "shop_notes"),
)

recipes = _table(
    "recipes",
    _uid(),
    *texts("name"),
    _whole("revision"),
    *texts("event"),  # release or retire
    sa.Column("study_id", sa.ForeignKey("studies.id")),
    _json("data"),
    sa.UniqueConstraint("name", "revision", "event"),  # two people cannot both release the next revision
)

photos = _table(
    "photos",
    _uid(),
    link("coupon_id", "coupons", index=True),
    *texts("face", "media_type", "sha256"),
    _whole("size"),
    sa.Column("image", sa.LargeBinary, nullable=False),
    earlier("withdraws", "photos"),
)

seals = sa.Table(
    "seals",
    metadata,
    sa.Column("id", sa.ForeignKey("acts.id"), primary_key=True, autoincrement=False),
    *texts("schema", "digest"),
)
"""The chain of acts: see `doe.book.chain`. An export leaves it out, since whoever takes it in seals the acts again."""

page_state = sa.Table(
    "page_state",
    metadata,
    sa.Column("kind", sa.Text, primary_key=True),
    sa.Column("key", sa.Text, primary_key=True),
    sa.Column("at", sa.Double, nullable=False),  # seconds since 1970
    _json("value"),
)
"""What the page at the press remembers; the one table whose rows change."""

KEPT = tuple(table for table in metadata.tables.values() if table not in (book_info, seals, page_state))
"""Tables of what people entered, parents before children."""


@cache
def is_current(table: sa.Table) -> sa.ColumnElement[bool]:
    """Condition: no later row supersedes this one."""
    later = table.alias(f"later_{table.name}")
    return ~sa.exists().where(later.c.supersedes == table.c.id)


def columns_of(table: sa.Table) -> list[sa.Column[Any]]:
    """Columns of a table but for pictures, which are many MB."""
    return [c for c in table.columns if not isinstance(c.type, sa.LargeBinary)]
