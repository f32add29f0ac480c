"""The book behind the page: opened once a person, and what was read kept until somebody stores something."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from doe.acts.base import today
from doe.acts.gauges.line import gauged_line, study_cautions
from doe.acts.scoring.making import STEP, Making, making_of, read_again
from doe.acts.scoring.progress import Left, left_at
from doe.book.book import Book
from doe.book.records import Act
from doe.domain.errors import InputError
from doe.domain.factors import Stage
from doe.domain.units import Shown
from reports.sheet.page import SheetPage, sheet_page

if TYPE_CHECKING:
    from doe.assure.gauges.line import GaugedLine

MOST_BOOKS, MOST_STUDIES, MOST_ACTS = 40, 40, 60
_USUAL = ("record", "add photo", "withdraw photo", f"note {STEP}", f"withdraw {STEP}")


class Shop:
    """One book for all devices.

    Parameters
    ----------
    target : str or Path, optional
        As `Book.open`.
    owner : str
        Who started the page; the book is looked at in this name.
    shown : Shown
        Units on every page.
    """

    def __init__(self, target: str | Path | None, *, owner: str, shown: Shown) -> None:
        self._target = target
        self.owner = owner
        self.shown = shown
        self._books: OrderedDict[str, Book] = OrderedDict()
        self._lock = threading.Lock()
        self._outside = (0, 0)
        self._turn = threading.Lock()
        self._cautions: OrderedDict[tuple[object, ...], tuple[str, ...]] = OrderedDict()
        self._left: OrderedDict[tuple[object, ...], Left] = OrderedDict()
        self._made: OrderedDict[int, tuple[int, Making]] = OrderedDict()
        self._reading: dict[int, threading.Lock] = {}
        self._sheets: OrderedDict[tuple[object, ...], SheetPage] = OrderedDict()
        self._gauged: OrderedDict[tuple[object, ...], GaugedLine | None] = OrderedDict()
        self.look = self.book(owner)

    def book(self, who: str) -> Book:
        """The book as used by a person: what they store is stored in their name."""
        with self._lock:
            found = self._books.get(who)
            if found is None:
                found = self._books[who] = Book.open(self._target, who=who, create=False)
                while len(self._books) > MOST_BOOKS:
                    oldest = next(name for name in self._books if name not in (who, self.owner))
                    self._books.pop(oldest).close()  # connections in use are finished first
            self._books.move_to_end(who)
            return found

    @contextmanager
    def storing(self, who: str) -> Iterator[Book]:
        """The book in a person's name, to store something: one device after the other.

        The book takes its writers one by one anyway; waiting for a turn here is fair and costs no time, where a file
        that is busy is asked again after longer and longer pauses.
        """
        book = self.book(who)
        with self._turn:
            yield book

    def last_act(self) -> int:
        """Number of the last act on the book, by any program: while it is the same, nothing has changed."""
        acts = self.look.audit(1)
        return acts[0].id if acts else 0

    def making(self, study: int) -> Making:
        """Where every coupon of a study is; read again only after somebody stored something about it."""
        with self._lock:
            turn = self._reading.setdefault(study, threading.Lock())
        with turn:  # twenty devices that ask at once wait for one reading
            kept = self._made.get(study)
            now = self.last_act()
            if kept is not None and kept[0] == now:
                return kept[1]
            since = self._since(kept[0]) if kept is not None else None
            if kept is None or since is None or any(not _is_usual(act) for act in since):
                made = making_of(self.look, study)
            elif any(act.study_id == study or STEP in act.verb for act in since):
                made = read_again(self.look, kept[1])
            else:
                made = kept[1]  # it was about another study
            with self._lock:
                _keep(self._made, study, (now, made), MOST_STUDIES)
            return made

    def _since(self, act: int) -> list[Act] | None:
        """What was done after an act; None when it was too much to look through."""
        newest = self.look.audit(MOST_ACTS)
        if len(newest) == MOST_ACTS and newest[-1].id > act:
            return None
        return [done for done in newest if done.id > act]

    def _definitions(self) -> int:
        """A number that changes when anything but scores, photos and steps is stored, such as a gauge reading."""
        with self._lock:
            last, version = self._outside
        now = self.last_act()
        if now == last:
            return version
        since = self._since(last)
        if since is None or any(not _is_usual(act) for act in since):
            version += 1
        with self._lock:
            self._outside = (now, version)
        return version

    def sheet(self, making: Making, number: int) -> SheetPage:
        """The bench sheet of a round, whose words the page shares."""
        record = making.record
        gauged = self.gauged(making)
        key = (record.id, number, self._definitions(), today())
        with self._lock:
            found = self._sheets.get(key)
        if found is None:
            coupons = self.look.plan_coupons(record.id)
            found = sheet_page(
                record.study,
                record.stack,
                record.line,
                coupons[coupons["round"] == number],
                made_at=datetime.now(UTC),
                shown=self.shown,
                gauged=gauged,
            )
            with self._lock:
                _keep(self._sheets, key, found, MOST_STUDIES)
        return found

    def gauged(self, making: Making) -> GaugedLine | None:
        """What the gauge readings of the study's line say today; None when its line is no longer in the book."""
        key = (making.record.id, self._definitions(), today())
        with self._lock:
            if key in self._gauged:
                return self._gauged[key]
        try:
            found: GaugedLine | None = gauged_line(self.look, making.record)
        except InputError:
            found = None
        with self._lock:
            _keep(self._gauged, key, found, MOST_STUDIES)
        return found

    def cautions(self, making: Making) -> tuple[str, ...]:
        """What to be careful about where the study's temperatures rest on gauges."""
        gauged = self.gauged(making)
        if gauged is None:
            return ()
        key = (making.record.id, self._definitions(), today())
        with self._lock:
            found = self._cautions.get(key)
        if found is None:
            found = study_cautions(self.look, making.record, gauged, shown=self.shown)
            with self._lock:
                _keep(self._cautions, key, found, MOST_STUDIES)
        return found

    def left(self, making: Making, stage: Stage) -> Left:
        """What waits at a machine; worked out again only when the queue has moved."""
        record = making.record
        key = (record.id, record.amended_at, stage, tuple(c.name for c in making.queue(stage)))
        with self._lock:
            found = self._left.get(key)
        if found is None:
            found = left_at(making, stage)
            with self._lock:
                _keep(self._left, key, found, MOST_STUDIES)
        return found

    def people(self) -> tuple[str, ...]:
        """Who has stored something lately, as they write their names."""
        names = dict.fromkeys(act.who for act in self.look.audit(300))
        return tuple(names)

    def close(self) -> None:
        """Let go of the book."""
        with self._lock:
            for book in self._books.values():
                book.close()
            self._books.clear()


def _is_usual(act: Act) -> bool:
    """Whether an act changes neither plans nor what they are made of: scores, photos, and steps at the machines."""
    return act.verb in _USUAL


K = TypeVar("K")
V = TypeVar("V")


def _keep(kept: OrderedDict[K, V], key: K, value: V, most: int) -> None:
    kept[key] = value
    kept.move_to_end(key)
    while len(kept) > most:
        kept.popitem(last=False)
