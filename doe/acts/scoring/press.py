"""Scores given at the press by several people: what differs from what is stored, and storing it with its why."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, TypeVar

from doe.acts.scoring.making import Coupon
from doe.book.records import StudyRecord
from doe.domain.score import FieldValue, ScoreEntry
from doe.words.press import told

if TYPE_CHECKING:
    from doe.book.book import Book

T = TypeVar("T")


@dataclass(frozen=True)
class Difference:
    """A field that is stored with another value than the one given."""

    field: str
    stored: FieldValue
    stored_by: str
    stored_at: datetime
    given: FieldValue


def differences(coupon: Coupon, entry: ScoreEntry) -> tuple[Difference, ...]:
    """What an entry would correct. The side goes with the symptoms and is not named on its own; notes are added to."""
    found = []
    for name, value in entry.fields():
        said = coupon.said.get(name)
        follows = name == "side" and ("symptoms" in coupon.said or not entry.symptoms)
        if said is None or said.value == value or name == "note" or (name == "side" and follows):
            continue
        found.append(Difference(name, said.value, said.who, said.at, value))
    return tuple(found)


def keeping(entry: ScoreEntry, fields: Collection[str]) -> ScoreEntry:
    """The entry without these fields: there what is stored stays."""

    def left(kind: str, values: Mapping[str, T]) -> dict[str, T]:
        return {name: value for name, value in values.items() if f"{kind}:{name}" not in fields}

    if "symptoms" in fields:
        entry = replace(entry, symptoms=(), side="")
    return replace(
        entry,
        checks=left("check", entry.checks),
        hand=left("hand", entry.hand),
        actual=left("actual", entry.actual),
        void_reason=None if "void" in fields else entry.void_reason,
    )


def _with_note_added(coupon: Coupon, entry: ScoreEntry) -> ScoreEntry:
    """The entry with its note below the stored one, so that two people may each write something."""
    said = coupon.said.get("note")
    if said is None or not entry.note:
        return entry
    before = str(said.value)
    if entry.note == before or entry.note in before.split("\n"):  # the same form once more
        return replace(entry, note="")
    return replace(entry, note=f"{before}\n{entry.note}")


def store_scores(book: Book, record: StudyRecord, coupon: Coupon, entry: ScoreEntry, *, why: str = "") -> None:
    """Store an entry. A correction needs a why, a longer note brings its own.

    Raises
    ------
    InputErrors
        As `Book.record`.
    """
    entry = _with_note_added(coupon, entry)
    if not any(True for _ in entry.fields()):
        return
    if "note" in coupon.said and entry.note and not differences(coupon, entry):
        why = why or told("note_longer")
    book.record(record.id, [entry], why=why)


def take_back(book: Book, record: StudyRecord, coupon: Coupon, fields: Sequence[str], why: str) -> None:
    """Empty fields again, as a correction. What was said stays in the history."""
    cleared = [name for name in fields if name in coupon.said and name != "void"]
    if "symptoms" in cleared and "side" in coupon.said and "side" not in cleared:
        cleared.append("side")
    void = "" if "void" in fields and coupon.void else None
    if cleared or void is not None:
        book.record(record.id, [ScoreEntry(coupon.name, cleared=tuple(cleared), void_reason=void)], why=why)
