"""Looking after the book: whether everything in it hangs together."""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from doe.book import chain
from doe.book.columns import closing
from doe.book.definitions import reading_from
from doe.book.engine import is_gone
from doe.book.schema import stored_version
from doe.book.tables import (
    KEPT,
    SCHEMA_VERSION,
    Json,
    Moment,
    acts,
    analyses,
    as_text,
    book_info,
    coupons,
    entries,
    gauge_readings,
    is_current,
    lines,
    photos,
    recipes,
    rounds,
    seals,
    stacks,
    studies,
    study_entries,
)
from doe.domain.factors import Factor
from doe.domain.finding import Finding, finding_of
from doe.domain.gauge import MACHINE_KINDS
from doe.domain.score import PLAIN_FIELDS, again_field
from doe.domain.serial import line_from, recipe_from, stack_from, study_from

_CHAINS: tuple[tuple[sa.Table, tuple[str, ...]], ...] = (
    (entries, ("coupon_id", "field")),
    (stacks, ("name",)),
    (lines, ("name",)),
    (study_entries, ("study_id",)),
)
_CANNOT_BE_READ = (json.JSONDecodeError, KeyError, TypeError, ValueError)


def problems(connection: sa.Connection, label: str) -> list[str]:
    """What does not hang together, as sentences; empty when the book is sound."""
    version = stored_version(connection, label)
    found = [] if version == SCHEMA_VERSION else [f"The schema is {version}, not {SCHEMA_VERSION}."]
    if connection.dialect.name == "sqlite":
        try:
            answers = list(connection.exec_driver_sql("PRAGMA integrity_check").scalars())
        except sa.exc.DatabaseError as error:  # so damaged that even looking for damage fails
            answers = [str(error.orig)]
        if answers != ["ok"]:  # nothing read from a damaged file can be relied on
            return found + [f"The file is damaged: {answer}." for answer in answers]
    for look in (coherence, chain.faults, _guards):
        try:
            found += look(connection)
        except Exception as error:  # whatever a damaged book makes of a query, or of what it gives
            if is_gone(error):
                raise
            return [*found, f"It cannot be read to the end: {' '.join(str(error).split())[:200]}."]
    return found


def _guards(connection: sa.Connection) -> Iterator[str]:
    """Triggers that keep stored rows from being changed, and are gone or switched off."""
    dialect = connection.dialect.name
    there = {
        "sqlite": "SELECT name FROM sqlite_master WHERE type = 'trigger'",
        "postgresql": "SELECT tgname FROM pg_trigger WHERE tgenabled <> 'D'",
    }[dialect]
    names = set(connection.exec_driver_sql(there).scalars())
    wanted = [text.split()[2] for table in (book_info, *KEPT, seals) for text in closing(table.name, dialect)]
    if gone := [name for name in wanted if name not in names]:
        which = ", ".join(gone[:3]) + (f" and {len(gone) - 3} more" if len(gone) > 3 else "")
        yield f"Guards against changes of what is stored are gone: {which}."


def coherence(connection: sa.Connection) -> list[str]:
    """What the rows say against one another; empty when they agree."""
    found = [said.format(**row._mapping) for query, said in _faults() for row in connection.execute(query)]
    for look in (_unknown_fields, _unreadable, _lost_machines, _misnamed, _no_times, _other_settings, _altered):
        found += look(connection)
    return found


def _faults() -> Iterator[tuple[sa.Select[Any], str]]:
    """Queries that find nothing in a sound book, and what to say of each row they find."""
    for table in KEPT:
        for key in sorted(table.foreign_keys, key=lambda k: str(k.parent.name)):
            parent = key.column.table.alias("parent_row")
            lost = sa.select(table.c.id).where(key.parent.is_not(None), ~sa.exists().where(parent.c.id == key.parent))
            yield lost, f"Row {{id}} of {table.name} points to a row of {key.column.table.name} that is not there."
    for table, names in _CHAINS:
        old, same = table.alias("old_row"), [table.c[name] for name in names]
        differs = sa.or_(*(old.c[column.name] != column for column in same), old.c.id >= table.c.id)
        yield (
            sa.select(table.c.id).join(old, table.c.supersedes == old.c.id).where(differs),
            f"Row {{id}} of {table.name} corrects a row about something else, or a later one.",
        )
        heads = sa.select(*same).where(is_current(table)).group_by(*same).having(sa.func.count() > 1)
        yield heads, f"{table.name} has two current rows for {', '.join(f'{{{name}}}' for name in names)}."
    yield from (
        (_half_written(), "Act {id} ({verb}) added {rows_added} rows, but {there} are there."),
        (
            sa.select(coupons.c.name, coupons.c.study_id)
            .join(rounds, coupons.c.round_id == rounds.c.id)
            .where(coupons.c.study_id != rounds.c.study_id),
            "Coupon {name} of study {study_id} is in a round of another study.",
        ),
        (
            sa.select(studies.c.id).where(~sa.exists().where(study_entries.c.study_id == studies.c.id)),
            "Study {id} has no name and no content.",
        ),
        (
            sa.select(study_entries.c.name)
            .where(is_current(study_entries), sa.not_(study_entries.c.archived))
            .group_by(study_entries.c.name)
            .having(sa.func.count() > 1),
            "Two studies in use are called {name}.",
        ),
        (
            sa.select(rounds.c.id, rounds.c.number).where(rounds.c.number < 1),
            "Row {id} of rounds has the number {number}.",
        ),
        (
            sa.select(gauge_readings.c.id).where(gauge_readings.c.line_name.not_in(sa.select(lines.c.name))),
            "Row {id} of gauge_readings is on a line that is not there.",
        ),
        (
            sa.select(analyses.c.id).where(sa.func.trim(analyses.c.inputs_hash) == ""),
            "Analysis {id} has no hash of its inputs.",
        ),
    )


def _half_written() -> sa.Select[Any]:
    """Acts that say another number of rows than there are."""
    rows = sa.union_all(*(sa.select(table.c.act_id) for table in KEPT if "act_id" in table.c)).subquery()
    counts = sa.select(rows.c.act_id, sa.func.count().label("there")).group_by(rows.c.act_id).subquery()
    there = sa.func.coalesce(counts.c.there, 0)
    return (
        sa.select(acts.c.id, acts.c.verb, acts.c.rows_added, there.label("there"))
        .outerjoin(counts, counts.c.act_id == acts.c.id)
        .where(acts.c.rows_added != there)
    )


def _unknown_fields(connection: sa.Connection) -> Iterator[str]:
    named = sa.select(sa.func.min(entries.c.id).label("id"), entries.c.field).group_by(entries.c.field)
    for row_id, field in connection.execute(named):
        kind, colon, name = field.partition(":")
        is_part = kind in ("check", "hand", "actual") and colon and name
        if not (field in PLAIN_FIELDS or is_part or again_field(field) is not None):
            yield f"Row {row_id} of entries has a field {field} that nobody knows."


def _notes(value: Any) -> list[Finding | str]:
    """Notes of a round: findings, or the texts of older ones."""
    if not isinstance(value, list):
        raise TypeError("not a list of notes")
    return [finding_of(note) for note in value]


_READERS: dict[str, Callable[[Any], object]] = {
    "stacks.data": stack_from,
    "lines.data": line_from,
    "study_entries.data": study_from,
    "gauge_readings.data": reading_from,
    "rounds.notes": _notes,
    "coupons.settings": dict,
    "coupons.place": dict,
    "analyses.payload": dict,
    "shop_notes.data": dict,
    "recipes.data": lambda data: recipe_from(data) if data else data,
}
"""How the JSON of a column is read; any other may be anything."""


def _texts(connection: sa.Connection, kind: type[Json | Moment]) -> Iterator[tuple[sa.Column[Any], int, Any]]:
    """Everything in columns of a kind: column, row, text."""
    for column in (column for table in KEPT for column in table.columns if isinstance(column.type, kind)):
        for row_id, text in connection.execute(sa.select(column.table.c.id, as_text(column))):
            yield column, row_id, text


def _unreadable(connection: sa.Connection) -> Iterator[str]:
    for column, row_id, text in _texts(connection, Json):
        try:
            _READERS.get(str(column), bool)(json.loads(text))
        except _CANNOT_BE_READ as error:
            yield f"Row {row_id} of {column.table.name} cannot be read: {type(error).__name__} {error}."


def _no_times(connection: sa.Connection) -> Iterator[str]:
    for column, row_id, text in _texts(connection, Moment):
        try:
            timely = text is None or datetime.fromisoformat(text).tzinfo is not None
        except ValueError:
            timely = False
        if not timely:
            yield f"Row {row_id} of {column.table.name} has the time {text!r}, which is none."


def _lost_machines(connection: sa.Connection) -> Iterator[str]:
    """Lines made of a machine that is kept with a line which is not there."""
    names = set(connection.scalars(sa.select(lines.c.name)))
    for name, text in connection.execute(sa.select(lines.c.name, as_text(lines.c.data)).where(is_current(lines))):
        with contextlib.suppress(*_CANNOT_BE_READ):  # said by `_unreadable`
            made = line_from(json.loads(text))
            for kind in MACHINE_KINDS:
                for stay in made.stays(kind):
                    if stay.line not in names:
                        yield f"The {kind} of line {name} is that of {stay.line}, which is not there."


def _misnamed(connection: sa.Connection) -> Iterator[str]:
    """A name stands in a column, to be looked for, and in the details; only the details are checked when read."""
    for table in (stacks, lines, study_entries):
        for row_id, name, text in connection.execute(sa.select(table.c.id, table.c.name, as_text(table.c.data))):
            try:
                inside = str(json.loads(text)["name"]).strip()
            except _CANNOT_BE_READ:
                continue  # said by `_unreadable`
            if name.strip() != inside:
                yield f"Row {row_id} of {table.name} is called {name!r}, but {inside!r} in its details."


def _other_settings(connection: sa.Connection) -> Iterator[str]:
    current = sa.select(study_entries.c.study_id, as_text(study_entries.c.data)).where(is_current(study_entries))
    factors: dict[int, tuple[Factor, ...]] = {}
    for study_id, text in connection.execute(current):
        with contextlib.suppress(*_CANNOT_BE_READ):  # said by `_unreadable`
            factors[study_id] = study_from(json.loads(text)).factors
    made = sa.select(coupons.c.id, coupons.c.study_id, as_text(coupons.c.settings))
    for row_id, study_id, text in connection.execute(made):
        with contextlib.suppress(json.JSONDecodeError):
            if study_id in factors and not _are_settings(json.loads(text), factors[study_id]):
                yield f"Row {row_id} of coupons has settings that are not those of its study."


def _altered(connection: sa.Connection) -> Iterator[str]:
    """Photos that are not the ones that were stored, revisions that do not follow one another."""
    query = sa.select(photos.c.id, photos.c.sha256, photos.c.image).where(photos.c.withdraws.is_(None))
    # the options of this query alone: on the connection they would stay, and a server then refuses to write
    with contextlib.closing(connection.execute(query.execution_options(stream_results=True, max_row_buffer=4))) as rows:
        for row in rows:
            if hashlib.sha256(row.image).hexdigest() != row.sha256:
                yield f"Photo {row.id} is not the one that was stored."
    revisions: dict[str, int] = {}
    released = sa.select(recipes.c.name, recipes.c.revision).where(recipes.c.event == "release")
    for name, revision in connection.execute(released.order_by(recipes.c.name, recipes.c.revision)):
        if revision != revisions.get(name, 0) + 1:
            yield f"Recipe {name} has a revision {revision} after revision {revisions.get(name, 0)}."
        revisions[name] = revision


def _are_settings(settings: Any, factors: tuple[Factor, ...]) -> bool:
    if not isinstance(settings, dict) or set(settings) != {f.name for f in factors}:
        return False
    return all(
        isinstance(settings[f.name], str)
        if f.is_categorical
        else isinstance(settings[f.name], int | float) and math.isfinite(settings[f.name])
        for f in factors
    )
