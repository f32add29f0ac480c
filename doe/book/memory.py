"""What was read of a book, kept while nobody stored anything that it depends on, whichever program did.

Rows are only ever added, each with an act, and acts are numbered in the order in which they are stored. So what was
read at one act still holds at a later one when no act between added anything of its kind, and what was said is read
further instead of anew. Every look asks for the number of the last act first.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import sqlalchemy as sa

from doe.book.records import STEP
from doe.book.tables import acts

Kind = Literal["scores", "photos", "steps", "rest"]
"""What an act may add: scores, photos, notes of steps at the machines, or anything else, which counts as all else."""

_KIND_OF: dict[str, Kind] = {
    "record": "scores",
    "add photo": "photos",
    "withdraw photo": "photos",
    f"note {STEP}": "steps",
    f"withdraw {STEP}": "steps",
}
MOST = 400
"""Answers that are kept of one book."""

LAST = sa.select(sa.func.max(acts.c.id))
_SINCE = sa.select(acts.c.verb, sa.func.max(acts.c.id)).where(acts.c.id > sa.bindparam("known")).group_by(acts.c.verb)


@dataclass(frozen=True)
class Kept:
    """What was read with the ``act`` that was the last one then; ``stamp`` are the last acts of what it depends on."""

    stamp: tuple[int, ...]
    act: int
    value: Any


class Memory:
    """What the threads of one process have read of one book."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._act = -1
        self._newest: Mapping[Kind, int] = {}
        self._kept: OrderedDict[Hashable, Kept] = OrderedDict()

    def newest(self, connection: sa.Connection, act: int) -> Mapping[Kind, int] | None:
        """The last act of every kind in a look at the book whose last act this is; None where the look is an older one.

        Of acts before the first look it is not asked what they added: they count as that look's.
        """
        with self._lock:
            if self._act < 0:
                self._act, self._newest = act, {"scores": act, "photos": act, "steps": act, "rest": act}
            known, newest = self._act, self._newest
        if act <= known:
            return newest if act == known else None
        now = dict(newest)
        for verb, last in connection.execute(_SINCE, {"known": known}):
            kind = _KIND_OF.get(verb, "rest")
            now[kind] = max(now[kind], last)
        with self._lock:
            if act > self._act:
                self._act, self._newest = act, now
        return now

    def get(self, key: Hashable) -> Kept | None:
        """What is kept for a key."""
        with self._lock:
            return self._kept.get(key)

    def put(self, key: Hashable, kept: Kept) -> None:
        """Keep something in place of what is kept for a key, and no more than so many."""
        with self._lock:
            self._kept[key] = kept
            self._kept.move_to_end(key)
            while len(self._kept) > MOST:
                self._kept.popitem(last=False)


@dataclass
class Snapshot:
    """One consistent look at a book: its ``act`` and the ``newest`` of each kind are read when first asked for."""

    connection: sa.Connection
    act: int = -1
    newest: Mapping[Kind, int] | None = None

    def at(self, memory: Memory) -> Mapping[Kind, int] | None:
        """`Memory.newest` of this look."""
        if self.act < 0:
            self.act = self.connection.scalar(LAST) or 0
            self.newest = memory.newest(self.connection, self.act)
        return self.newest


def stamp_of(newest: Mapping[Kind, int], kinds: Sequence[Kind]) -> tuple[int, ...]:
    """What tells whether anything of some kinds was added since."""
    return tuple(newest[kind] for kind in kinds)
