"""The book behind the page: opened once a person, and what was read kept until somebody stores something."""

from __future__ import annotations

import threading
from collections import OrderedDict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from doe.acts.gauges import gauged_line, today
from doe.acts.making import Making, PlanRows, making_of, plan_rows
from doe.book import Book
from doe.domain.errors import InputError
from doe.domain.units import Shown
from reports.sheet import SheetPage, sheet_page

if TYPE_CHECKING:
    from doe.assure import GaugedLine

MOST_BOOKS, MOST_STUDIES = 40, 40


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
        self._rows: OrderedDict[tuple[int, int], PlanRows] = OrderedDict()
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

    def last_act(self) -> int:
        """Number of the last act on the book, by any program: while it is the same, nothing has changed."""
        acts = self.look.audit(1)
        return acts[0].id if acts else 0

    def making(self, study: int) -> Making:
        """Where every coupon of a study is; read again only after somebody stored something."""
        with self._lock:
            turn = self._reading.setdefault(study, threading.Lock())
        with turn:  # twenty devices that ask at once wait for one reading
            now = self.last_act()
            kept = self._made.get(study)
            if kept is not None and kept[0] == now:
                return kept[1]
            made = making_of(self.look, study, rows=self._plan_rows(study))
            with self._lock:
                _keep(self._made, study, (now, made), MOST_STUDIES)
            return made

    def _plan_rows(self, study: int) -> PlanRows:
        # rounds are only ever added, so their number says which plan it is
        key = (study, len(self.look.plan_info(study).rounds))
        with self._lock:
            rows = self._rows.get(key)
        if rows is None:
            rows = plan_rows(self.look, self.look.study(study))
            with self._lock:
                _keep(self._rows, key, rows, MOST_STUDIES)
        return rows

    def sheet(self, making: Making, number: int) -> SheetPage:
        """The bench sheet of a round, whose words the page shares."""
        record = making.record
        key = (record.id, number, record.amended_at)
        with self._lock:
            found = self._sheets.get(key)
        if found is None:
            found = sheet_page(
                record.study, record.stack, record.line, self.look.plan_coupons(record.id),
                made_at=datetime.now(UTC), shown=self.shown, round_number=number,
            )  # fmt: skip
            with self._lock:
                _keep(self._sheets, key, found, MOST_STUDIES)
        return found

    def gauged(self, making: Making) -> GaugedLine | None:
        """What the gauge readings of the study's line say today; None when its line is no longer in the book."""
        key = (making.record.id, self.last_act(), today())
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


K = TypeVar("K")
V = TypeVar("V")


def _keep(kept: OrderedDict[K, V], key: K, value: V, most: int) -> None:
    kept[key] = value
    kept.move_to_end(key)
    while len(kept) > most:
        kept.popitem(last=False)
