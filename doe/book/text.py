"""What the book keeps as text: times in UTC, and values as JSON."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from typing import Any

from doe.domain.serial import to_plain


def stamp(moment: datetime) -> str:
    """Time as text in UTC, always of one length so that text sorts as time does."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


def moment_of(text: str) -> datetime:
    """Time of a text that `stamp` made."""
    return datetime.fromisoformat(text)


def to_text(thing: Any) -> str:
    """JSON of dataclasses, mappings, lists, numbers and text; NumPy values become plain ones, NaN becomes null."""
    return json.dumps(to_plain(thing), ensure_ascii=False, allow_nan=False, default=_plain_array)


def from_text(text: str) -> Any:
    """What `to_text` wrote."""
    return json.loads(text)


def _plain_array(thing: Any) -> Any:
    if isinstance(thing, datetime):
        return stamp(thing)
    if isinstance(thing, date):
        return thing.isoformat()
    if hasattr(thing, "tolist"):  # NumPy scalars and arrays, without importing NumPy here
        return to_plain(thing.tolist())
    raise TypeError(f"cannot keep a {type(thing).__name__} in the book")
