"""Where the last backup of a book in a file is: noted beside it, since a damaged book cannot say so itself."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from doe.files import placed_whole

_LONGEST = 10_000
"""Bytes of a note; a longer one is none of ours."""


@dataclass(frozen=True)
class Backup:
    """A copy that was sound when it was made: ``place`` is a file, ``at`` a time in UTC."""

    place: str
    at: datetime

    def __str__(self) -> str:
        gone = "" if Path(self.place).exists() else ", where no file is now"
        return f"of {self.at.day} {self.at:%B %Y, %H:%M} UTC, at {self.place}{gone}"


def _note(book: Path) -> Path:
    return book.with_name(f".{book.name}.backup")


def note(book: Path, place: Path, at: datetime) -> None:
    """Note a sound backup beside its book; a folder that cannot be written to keeps none."""
    told = {"at": at.isoformat(), "copy": str(place.resolve()), "of": book.name}
    with suppress(OSError), placed_whole(_note(book), replaces=True) as beside:
        beside.write_text(json.dumps(told) + "\n", encoding="utf-8")


def last_backup(book: Path) -> Backup | None:
    """The backup that was noted last, if one is known and can be read."""
    try:
        with _note(book).open(encoding="utf-8") as file:
            told = json.loads(file.read(_LONGEST))
        found = Backup(str(told["copy"]), datetime.fromisoformat(told["at"]).astimezone(UTC))
        return found if found.place.isprintable() and Path(found.place).is_absolute() else None
    except (OSError, ValueError, KeyError, TypeError, OverflowError):
        return None
