"""Looking after the book: the audit trail, backups, and whether everything in it hangs together."""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from doe.book.gauges import reading_from
from doe.book.history import is_current
from doe.book.records import Act
from doe.book.schema import copy_file, stored_version
from doe.book.store import Store
from doe.book.tables import (
    KEPT,
    SCHEMA_VERSION,
    acts,
    analyses,
    coupons,
    entries,
    gauge_readings,
    lines,
    photos,
    recipes,
    rounds,
    shop_notes,
    stacks,
    studies,
    study_entries,
)
from doe.book.text import from_text, moment_of
from doe.domain.errors import InputError
from doe.domain.factors import Factor
from doe.domain.finding import Finding, finding_of
from doe.domain.score import PLAIN_FIELDS, again_field
from doe.domain.serial import line_from, recipe_from, stack_from, study_from

_CHAINS: tuple[tuple[sa.Table, tuple[str, ...]], ...] = (
    (entries, ("coupon_id", "field")),
    (stacks, ("name",)),
    (lines, ("name",)),
    (study_entries, ("study_id",)),
)


def audit(connection: sa.Connection, limit: int | None) -> tuple[Act, ...]:
    """The last acts, newest first."""
    rows = connection.execute(sa.select(acts).order_by(acts.c.id.desc()).limit(limit))
    return tuple(Act(r.id, moment_of(r.at), r.who, r.verb, r.subject, r.study_id, r.why) for r in rows)


def backup(store: Store, path: Path) -> Path:
    """Copy the whole book to a new file.

    Raises
    ------
    InputError
        If the file exists, cannot be written, or the book is on a server.
    """
    if store.place.path is None:
        raise InputError(
            f"book {store.place.label}",
            "a book on a server",
            "a book in a file",
            "Use the backup tools of the server, or export the book.",
        )
    copy_file(store.place.path, path)
    return path


def problems(connection: sa.Connection, where: str) -> list[str]:
    """What does not hang together, as sentences; empty when the book is sound."""
    found: list[str] = []
    version = stored_version(connection, where)
    if version != SCHEMA_VERSION:
        found.append(f"The schema is {version}, not {SCHEMA_VERSION}.")
    if connection.dialect.name == "sqlite":
        try:
            answers = list(connection.exec_driver_sql("PRAGMA integrity_check").scalars())
        except sa.exc.DatabaseError as error:  # so damaged that even looking for damage fails
            answers = [str(error.orig)]
        if answers != ["ok"]:
            found += [f"The file is damaged: {answer}." for answer in answers]
            return found  # nothing read from a damaged file can be relied on
    found += coherence(connection)
    return found


def coherence(connection: sa.Connection) -> list[str]:
    """What the rows say against one another; empty when they agree."""
    found = [sentence for table in KEPT for sentence in _orphans(connection, table)]
    for table, same in _CHAINS:
        found += _broken_chains(connection, table, same)
    found += _half_written(connection)
    found += _strangers(connection)
    found += _unreadable(connection)
    found += _misnamed(connection)
    found += _impossible(connection)
    found += _altered(connection)
    for row in connection.execute(
        sa.select(analyses.c.id, analyses.c.inputs_hash).where(sa.func.trim(analyses.c.inputs_hash) == "")
    ):
        found.append(f"Analysis {row.id} has no hash of its inputs.")
    return found


def _orphans(connection: sa.Connection, table: sa.Table) -> Iterator[str]:
    for key in sorted(table.foreign_keys, key=lambda k: str(k.parent.name)):
        parent = key.column.table.alias("parent_row")
        lost = sa.select(table.c.id).where(key.parent.is_not(None), ~sa.exists().where(parent.c.id == key.parent))
        for row_id in connection.scalars(lost):
            yield f"Row {row_id} of {table.name} points to a row of {key.column.table.name} that is not there."


def _broken_chains(connection: sa.Connection, table: sa.Table, same: tuple[str, ...]) -> Iterator[str]:
    old = table.alias("old_row")
    differs = sa.or_(*(old.c[name] != table.c[name] for name in same), old.c.id >= table.c.id)
    for row_id in connection.scalars(sa.select(table.c.id).join(old, table.c.supersedes == old.c.id).where(differs)):
        yield f"Row {row_id} of {table.name} corrects a row about something else, or a later one."
    heads = (
        sa.select(*(table.c[name] for name in same))
        .where(is_current(table))
        .group_by(*(table.c[name] for name in same))
        .having(sa.func.count() > 1)
    )
    for row in connection.execute(heads):
        yield f"{table.name} has two current rows for {', '.join(map(str, row))}."


def _half_written(connection: sa.Connection) -> Iterator[str]:
    parts = [sa.select(table.c.act_id) for table in KEPT if "act_id" in table.c]
    rows = sa.union_all(*parts).subquery()
    counts = sa.select(rows.c.act_id, sa.func.count().label("there")).group_by(rows.c.act_id).subquery()
    query = (
        sa.select(acts.c.id, acts.c.verb, acts.c.rows_added, counts.c.there)
        .outerjoin(counts, counts.c.act_id == acts.c.id)
        .where(acts.c.rows_added != sa.func.coalesce(counts.c.there, 0))
    )
    for row in connection.execute(query):
        yield f"Act {row.id} ({row.verb}) added {row.rows_added} rows, but {row.there or 0} are there."


def _strangers(connection: sa.Connection) -> Iterator[str]:
    for row in connection.execute(
        sa.select(coupons.c.name, coupons.c.study_id)
        .join(rounds, coupons.c.round_id == rounds.c.id)
        .where(coupons.c.study_id != rounds.c.study_id)
    ):
        yield f"Coupon {row.name} of study {row.study_id} is in a round of another study."
    for study_id in connection.scalars(
        sa.select(studies.c.id).where(~sa.exists().where(study_entries.c.study_id == studies.c.id))
    ):
        yield f"Study {study_id} has no name and no content."
    kinds = ("check", "hand", "actual")
    for row in connection.execute(
        sa.select(sa.func.min(entries.c.id).label("id"), entries.c.field).group_by(entries.c.field)
    ):
        kind, colon, name = row.field.partition(":")
        known = row.field in PLAIN_FIELDS or (kind in kinds and colon and name) or again_field(row.field) is not None
        if not known:
            yield f"Row {row.id} of entries has a field {row.field} that nobody knows."
    twice = (
        sa.select(study_entries.c.name)
        .where(is_current(study_entries), sa.not_(study_entries.c.archived))
        .group_by(study_entries.c.name)
        .having(sa.func.count() > 1)
    )
    for name in connection.scalars(twice):
        yield f"Two studies in use are called {name}."


def _misnamed(connection: sa.Connection) -> Iterator[str]:
    """A name stands in a column, to be looked for, and in the details; only the details are checked when read."""
    for table in (stacks, lines, study_entries):
        for row_id, name, text in connection.execute(sa.select(table.c.id, table.c.name, table.c.data)):
            try:
                inside = str(from_text(text)["name"]).strip()
            except (json.JSONDecodeError, KeyError, TypeError):
                continue  # said by `_unreadable`
            if name.strip() != inside:
                yield f"Row {row_id} of {table.name} is called {name!r}, but {inside!r} in its details."


def _notes(value: Any) -> list[Finding | str]:
    """Notes of a round: findings, or the texts of older ones."""
    if not isinstance(value, list):
        raise TypeError("not a list of notes")
    return [finding_of(note) for note in value]


def _impossible(connection: sa.Connection) -> Iterator[str]:
    """Times that are none, rounds below 1, settings that are not those of the study, readings on no line."""
    for table, column in ((acts, "at"), (studies, "made_at"), (entries, "scored_at")):
        for row_id, text in connection.execute(sa.select(table.c.id, table.c[column])):
            try:
                timely = text is None or moment_of(text).tzinfo is not None
            except ValueError:
                timely = False
            if not timely:
                yield f"Row {row_id} of {table.name} has the time {text!r}, which is none."
    for row_id, number in connection.execute(sa.select(rounds.c.id, rounds.c.number).where(rounds.c.number < 1)):
        yield f"Row {row_id} of rounds has the number {number}."
    known_lines = sa.select(lines.c.name)
    for row_id in connection.scalars(
        sa.select(gauge_readings.c.id).where(gauge_readings.c.line_name.not_in(known_lines))
    ):
        yield f"Row {row_id} of gauge_readings is on a line that is not there."
    factors: dict[int, tuple[Factor, ...]] = {}
    current = sa.select(study_entries.c.study_id, study_entries.c.data).where(is_current(study_entries))
    for study_id, text in connection.execute(current):
        with contextlib.suppress(json.JSONDecodeError, KeyError, TypeError, ValueError):  # said by `_unreadable`
            factors[study_id] = study_from(from_text(text)).factors
    for row in connection.execute(sa.select(coupons.c.id, coupons.c.study_id, coupons.c.settings)):
        with contextlib.suppress(json.JSONDecodeError):
            settings = from_text(row.settings)
            if row.study_id in factors and not _are_settings(settings, factors[row.study_id]):
                yield f"Row {row.id} of coupons has settings that are not those of its study."


def _altered(connection: sa.Connection) -> Iterator[str]:
    """Photos that are not the ones that were stored, revisions that do not follow one another."""
    query = sa.select(photos.c.id, photos.c.sha256, photos.c.image).where(photos.c.withdraws.is_(None))
    for row in connection.execution_options(stream_results=True, max_row_buffer=4).execute(query):
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


def _unreadable(connection: sa.Connection) -> Iterator[str]:
    readers: tuple[tuple[sa.Table, str, Callable[[Any], object]], ...] = (
        (stacks, "data", stack_from),
        (lines, "data", line_from),
        (study_entries, "data", study_from),
        (gauge_readings, "data", reading_from),
        (rounds, "notes", _notes),
        (coupons, "settings", dict),
        (coupons, "place", dict),
        (entries, "value", lambda value: value),
        (analyses, "payload", dict),
        (shop_notes, "data", dict),
        (recipes, "data", lambda data: recipe_from(data) if data else data),
    )
    for table, column, read in readers:
        for row_id, text in connection.execute(sa.select(table.c.id, table.c[column])):
            try:
                read(from_text(text))
            except (json.JSONDecodeError, KeyError, TypeError, ValueError) as error:
                yield f"Row {row_id} of {table.name} cannot be read: {type(error).__name__} {error}."
