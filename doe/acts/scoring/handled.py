"""Which way a coupon failed, from its symptoms and from whether it was handled well, whichever was said first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from doe.book.book import Book
from doe.book.studies import Key
from doe.domain.outcome import HANDLED_BADLY, HANDLED_WELL
from doe.domain.score import ScoreEntry
from doe.symptoms.catalogue import WORDS, side_seen


def with_side(entry: ScoreEntry, said: Mapping[str, Any]) -> ScoreEntry:
    """The entry with the side that its coupon then has, from the values by field that are stored of it.

    A side that the entry names stays, and so does one that somebody once named against the symptoms.
    """
    speaks = entry.symptoms or entry.handled or {"symptoms", "handled"} & {*entry.cleared}
    if entry.side or "side" in entry.cleared or not speaks:
        return entry
    keys, well = tuple(said.get("symptoms") or ()), str(said.get("handled") or "")
    before = _told(keys, well)
    stored = str(said.get("side") or "")
    if not entry.symptoms and stored != before:
        return entry
    now = _told(
        () if "symptoms" in entry.cleared else entry.symptoms or keys,
        "" if "handled" in entry.cleared else entry.handled or well,
    )
    if now:
        return entry if now == stored and not entry.symptoms else replace(entry, side=now)
    return replace(entry, cleared=(*entry.cleared, "side")) if stored else entry


def with_sides(book: Book, key: Key, entries: tuple[ScoreEntry, ...]) -> tuple[ScoreEntry, ...]:
    """`with_side` of every entry, from what stands in the book."""
    said: dict[str, dict[str, Any]] = {}
    for stored in book.history(key):
        if stored.current:
            said.setdefault(stored.coupon, {})[stored.field] = stored.value
    return tuple(with_side(entry, said.get(entry.coupon, {})) for entry in entries)


def _told(keys: tuple[str, ...], handled: str) -> str:
    """The side of symptoms of the catalogue; nothing where one of them is none of it."""
    if not all(key in WORDS.labels for key in keys):
        return ""
    return side_seen(keys, handled_well={HANDLED_WELL: True, HANDLED_BADLY: False}.get(handled))
