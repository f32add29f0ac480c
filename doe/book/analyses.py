"""Stored fits, recommendations and releases."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from doe.book.records import AnalysisRecord
from doe.book.store import Writing, new_id
from doe.book.studies import Key, find, find_open
from doe.book.tables import acts, analyses
from doe.book.text import from_text, moment_of, to_text
from doe.domain.errors import InputError


def save(
    writing: Writing,
    key: Key,
    *,
    kind: str,
    inputs_hash: str,
    seed: int,
    version: str,
    payload: Mapping[str, Any],
) -> int:
    """Keep an analysis, once; returns its id.

    Raises
    ------
    InputError
        If kind, hash or version is empty: without them nobody could say later what it was made from.
    """
    row = find_open(writing.connection, key)
    for label, text in (("kind", kind), ("inputs hash", inputs_hash), ("version", version)):
        if not text.strip():
            raise InputError(f"analysis, {label}", "nothing", "text", "Give it; a report is repeated from it.")
    verdict = payload.get("verdict")
    values = {
        "kind": kind,
        "inputs_hash": inputs_hash,
        "seed": int(seed),
        "version": version,
        "payload": to_text(payload),
        "verdict": verdict if isinstance(verdict, str) else "",
    }
    last = writing.connection.execute(
        sa.select(analyses)
        .where(analyses.c.study_id == row.study_id, analyses.c.kind == kind)
        .order_by(analyses.c.id.desc())
        .limit(1)
    ).one_or_none()
    if last is not None and all(last._mapping[name] == value for name, value in values.items()):
        return int(last.id)
    act = writing.act(f"keep {kind}", row.name, rows=1, study_id=row.study_id)
    return new_id(writing.connection, analyses.insert().values(study_id=row.study_id, act_id=act, **values))


def all_of(connection: sa.Connection, key: Key, kind: str | None = None) -> tuple[AnalysisRecord, ...]:
    """Everything kept about a study, oldest first; only one kind if it is named."""
    row = find(connection, key)
    query = (
        sa.select(analyses, acts.c.at, acts.c.who)
        .join(acts, analyses.c.act_id == acts.c.id)
        .where(analyses.c.study_id == row.study_id)
        .order_by(analyses.c.id)
    )
    if kind is not None:
        query = query.where(analyses.c.kind == kind)
    return tuple(_record(kept) for kept in connection.execute(query))


def everywhere(connection: sa.Connection, kind: str) -> tuple[tuple[int, AnalysisRecord], ...]:
    """Everything of a kind with the number of its study, oldest first, archived studies included."""
    query = (
        sa.select(analyses, acts.c.at, acts.c.who)
        .join(acts, analyses.c.act_id == acts.c.id)
        .where(analyses.c.kind == kind)
        .order_by(analyses.c.id)
    )
    return tuple((int(kept.study_id), _record(kept)) for kept in connection.execute(query))


def _record(kept: sa.Row[Any]) -> AnalysisRecord:
    return AnalysisRecord(
        id=kept.id,
        kind=kept.kind,
        inputs_hash=kept.inputs_hash,
        seed=kept.seed,
        version=kept.version,
        payload=from_text(kept.payload),
        verdict=kept.verdict,
        made_at=moment_of(kept.at),
        made_by=kept.who,
    )
