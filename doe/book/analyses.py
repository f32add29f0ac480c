"""Stored fits, recommendations and releases; and notes of the shop beyond its studies.

What is in a note, such as a case that was diagnosed or an apprentice's practice, is the business of those who write
it: the book keeps a topic, a name and a dictionary.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from doe.book.records import STEP, AnalysisRecord, ShopNote
from doe.book.store import Store, records, standing
from doe.book.studies import Key, find_open, found
from doe.book.tables import acts, analyses, shop_notes, to_text
from doe.domain.errors import InputError

_KEPT = (
    sa.select(analyses, acts.c.at.label("made_at"), acts.c.who.label("made_by"))
    .join(acts, analyses.c.act_id == acts.c.id)
    .order_by(analyses.c.id)
)
_OF_STUDY = _KEPT.where(analyses.c.study_id == sa.bindparam("study"))
_OF_KIND = _KEPT.where(analyses.c.kind == sa.bindparam("kind"))
_OF_BOTH = _OF_STUDY.where(analyses.c.kind == sa.bindparam("kind"))
_LAST = _OF_BOTH.order_by(None).order_by(analyses.c.id.desc()).limit(1)
_NOTES = standing(shop_notes).where(shop_notes.c.topic == sa.bindparam("topic"))
_NOTES_NAMED = _NOTES.where(shop_notes.c.name == sa.bindparam("name"))


class Analyses(Store):
    """The part of the book about what was concluded."""

    def save_analysis(
        self, key: Key, *, kind: str, inputs_hash: str, seed: int, version: str, payload: Mapping[str, Any]
    ) -> int:
        """Keep a fit, recommendation, release ...; returns its id. A ``verdict`` in the payload shows in `studies`.

        The same as the last one of its kind is not kept again.

        Raises
        ------
        InputError
            If kind, hash or version is empty: without them nobody could say later what it was made from.
        """
        with self.writing() as writing:
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
                "payload": payload,
                "verdict": verdict if isinstance(verdict, str) else "",
            }
            mine = sa.select(analyses).where(analyses.c.study_id == row.study_id, analyses.c.kind == kind)
            last = writing.connection.execute(mine.order_by(analyses.c.id.desc()).limit(1)).one_or_none()
            if last is not None and all(to_text(last._mapping[name]) == to_text(v) for name, v in values.items()):
                return int(last.id)
            act = writing.act(f"keep {kind}", row.name, study_id=row.study_id)
            return writing.add(analyses, {"study_id": row.study_id, **values}, act)

    def analyses(self, key: Key, kind: str | None = None) -> tuple[AnalysisRecord, ...]:
        """Everything kept about a study, or all of one kind, oldest first."""

        def read(connection: sa.Connection) -> tuple[AnalysisRecord, ...]:
            study = {"study": found(self, key).study_id}
            rows = connection.execute(*((_OF_STUDY, study) if kind is None else (_OF_BOTH, {**study, "kind": kind})))
            return records(AnalysisRecord, rows)

        return self.kept(("analyses", key, kind), ("rest",), read)

    def analyses_of_kind(self, kind: str) -> tuple[tuple[int, AnalysisRecord], ...]:
        """Everything kept of a kind in any study, archived ones too, with the study's number, oldest first."""

        def read(connection: sa.Connection) -> tuple[tuple[int, AnalysisRecord], ...]:
            rows = connection.execute(_OF_KIND, {"kind": kind}).all()
            return tuple(zip((int(row.study_id) for row in rows), records(AnalysisRecord, rows), strict=True))

        return self.kept(("analyses of kind", kind), ("rest",), read)

    def latest_analysis(self, key: Key, kind: str) -> AnalysisRecord | None:
        """The last one of a kind."""

        def read(connection: sa.Connection) -> AnalysisRecord | None:
            last = connection.execute(_LAST, {"study": found(self, key).study_id, "kind": kind})
            return next(iter(records(AnalysisRecord, last)), None)

        return self.kept(("last analysis", key, kind), ("rest",), read)

    def save_note(self, topic: str, name: str, data: Mapping[str, Any]) -> int:
        """Keep a note, such as a diagnosed case or an apprentice's exercise; returns its id.

        Raises
        ------
        InputError
            If topic or name is empty.
        """
        for label, text in (("topic", topic), ("name", name)):
            if not text.strip():
                raise InputError(f"note, {label}", "nothing", "text", "Say what the note is about.")
        with self.writing() as writing:
            row = {"topic": topic, "name": name, "data": data}
            return writing.add(shop_notes, row, writing.act(f"note {topic}", name))

    def notes(self, topic: str, name: str | None = None) -> tuple[ShopNote, ...]:
        """Notes of a topic that count, oldest first; only those of one name if it is given."""

        def read(connection: sa.Connection) -> tuple[ShopNote, ...]:
            query = _NOTES if name is None else _NOTES_NAMED
            rows = connection.execute(query, {"topic": topic} | ({} if name is None else {"name": name}))
            return records(ShopNote, (row for row in rows if not row.withdrawn))

        return self.kept(("notes", topic, name), ("steps",) if topic == STEP else ("rest",), read)

    def withdraw_note(self, note_id: int, why: str) -> None:
        """Take a mistaken note back; it stays in the book."""
        with self.writing() as writing:
            row, ending = writing.to_withdraw(shop_notes, "note", note_id, why)
            writing.add(shop_notes, ending, writing.act(f"withdraw {row.topic}", row.name, why=why))
