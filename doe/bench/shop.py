"""The book behind the page: opened once a person, and what was read kept until somebody stores something."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from doe.acts.base import today
from doe.acts.gauges.line import gauged_line, study_cautions
from doe.acts.scoring.making import Making, making_of, minutes_left, read_again
from doe.acts.study.fits import EarlyHint, early_hint
from doe.acts.study.inputs import hash_now
from doe.acts.study.rounds import by_code, peel_waits
from doe.acts.study.standing import standing_of
from doe.book.book import Book
from doe.book.page_state import PageState
from doe.book.records import Photo
from doe.domain.errors import InputError
from doe.domain.factors import Stage
from doe.domain.standing import StudyStanding
from doe.domain.units import Shown
from doe.words.facts import reader_of
from doe.words.gauges.cautions import caution_words
from reports.names import given_names
from reports.sheet.page import SheetPage, sheet_page

if TYPE_CHECKING:
    from doe.assure.gauges.line import GaugedLine

MOST_BOOKS, MOST_STUDIES, MOST_KEPT = 40, 40, 200

T = TypeVar("T")
K = TypeVar("K")


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
        self.target = target
        self.owner = owner
        self.shown = shown
        self._books: OrderedDict[str, Book] = OrderedDict()
        self._lock = threading.Lock()
        self._turn = threading.RLock()
        self._made: OrderedDict[int, tuple[int, int, Making]] = OrderedDict()
        self._reading: dict[int, threading.Lock] = {}
        self._found: OrderedDict[tuple[object, ...], Any] = OrderedDict()
        self.look = self.book(owner)

    def book(self, who: str) -> Book:
        """The book as used by a person: what they store is stored in their name."""
        with self._lock:
            found = self._books.get(who)
            if found is None:
                found = self._books[who] = Book.open(self.target, who=who, create=False)
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
            try:
                yield book
            finally:
                self.look.look_again()

    def page_state(self) -> PageState:
        """What the page remembers; keeping something there waits for its turn as `storing` does."""
        return self.look.page_state(self._turn)

    def last_act(self) -> int:
        """Number of the last act on the book, by any program: while it is the same, nothing has changed."""
        return self.look.last_act()

    def last_act_about(self, study: int) -> int:
        """The last act that a page about a study may depend on: what was scored in other studies changes nothing."""
        return max(self._definitions(), self.look.last_act_on(study))

    def making(self, study: int) -> Making:
        """Where every coupon of a study is; read again only after somebody stored something about it."""
        with self._lock:
            turn = self._reading.setdefault(study, threading.Lock())
        with turn:  # twenty devices that ask at once wait for one reading
            kept = self._made.get(study)
            with self.look.reading():
                now, plans = self.last_act(), self._definitions()
                if kept is not None and kept[0] == now:
                    return kept[2]
                if kept is not None and kept[1] == plans:
                    made = read_again(self.look, kept[2])
                else:
                    made = making_of(self.look, study)
            with self._lock:
                keep_newest(self._made, study, (now, plans, made), MOST_STUDIES)
            return made

    def _definitions(self) -> int:
        """The last act that stored anything but scores, photos and steps, such as a gauge reading."""
        return self.look.last_act_but("scores", "photos", "steps")

    def kept(self, key: tuple[object, ...], make: Callable[[], T]) -> T:
        """What was worked out for a key, or is now; the key holds everything that it depends on."""
        with self._lock:
            if key in self._found:
                return self._found[key]  # type: ignore[no-any-return] # what a key is made of says what is kept there
        made = make()
        with self._lock:
            keep_newest(self._found, key, made, MOST_KEPT)
        return made

    def found(self, key: tuple[object, ...]) -> Any:
        """What was kept for a key; None where nothing was."""
        with self._lock:
            return self._found.get(key)

    def keep(self, key: tuple[object, ...], made: object) -> None:
        """Keep what was worked out for a key, which holds everything that it depends on."""
        with self._lock:
            keep_newest(self._found, key, made, MOST_KEPT)

    def sheet(self, making: Making, number: int) -> SheetPage:
        """The bench sheet of a round, whose words the page shares."""
        record = making.record
        gauged = self.gauged(making)
        coupons = by_code(self.look, record.id, self.look.plan_coupons(record.id))
        return self.kept(
            ("sheet", record.id, number, self._definitions(), today()),
            lambda: sheet_page(
                record.study,
                record.stack,
                record.line,
                coupons[coupons["round"] == number],
                made_at=datetime.now(UTC),
                shown=self.shown,
                gauged=gauged,
                waits=peel_waits(self.look, record.id),
            ),
        )

    def gauged(self, making: Making) -> GaugedLine | None:
        """What the gauge readings of the study's line say today; None when its line is no longer in the book."""

        def make() -> GaugedLine | None:
            with suppress(InputError):
                return gauged_line(self.look, making.record)
            return None

        return self.kept(("gauged", making.record.id, self._definitions(), today()), make)

    def cautions(self, making: Making) -> tuple[str, ...]:
        """What to be careful about where the study's temperatures rest on gauges."""
        gauged = self.gauged(making)
        if gauged is None:
            return ()
        return self.kept(
            ("cautions", making.record.id, self._definitions(), today()),
            lambda: caution_words(
                study_cautions(self.look, making.record, gauged), reader_of(making.record.study, self.shown)
            ),
        )

    def minutes_left(self, making: Making, stage: Stage) -> float:
        """Minutes of what waits at a machine; worked out again only when the queue has moved."""
        record = making.record
        waiting = tuple(c.name for c in making.queue(stage))
        key = ("left", record.id, record.amended_at, stage, waiting)
        return self.kept(key, lambda: minutes_left(making, stage))

    def hint_hash(self, study: int) -> str:
        """What the coupons scored so far are known by."""
        return self.kept(("hint", study, self.last_act()), lambda: hash_now(self.look, self.look.study(study)))

    def standing(self, making: Making) -> StudyStanding:
        """What is known of a study; looked up again only after somebody stored something."""
        study = making.record.id
        return self.kept(("standing", study, self.last_act()), lambda: standing_of(self.look, study))

    def people(self) -> tuple[str, ...]:
        """Who has stored something lately, as they write their names."""
        return tuple(dict.fromkeys(act.who for act in self.look.audit(300)))

    def names(self) -> tuple[str, ...]:
        """Names that people gave in this book, of which no word is one of ours; read again when others may be there."""

        def make() -> tuple[str, ...]:
            book = self.look
            recipes = (kept.recipe for kept in book.recipes())
            held = (book.stacks(), book.lines(), book.gauges(), book.studies(include_archived=True))
            return given_names(*held, [s.name for s in held[-1]], *recipes, self.people())

        return self.kept(("names", self._definitions()), make)

    def photos(self, study: int, coupon: str | None = None) -> tuple[Photo, ...]:
        """Photos of a study or a coupon that were not taken back."""
        return tuple(p for p in self.look.photos(study, coupon) if not p.withdrawn)

    def close(self) -> None:
        """Let go of the book."""
        with self._lock:
            for book in self._books.values():
                book.close()
            self._books.clear()


def hint_in(target: str | Path | None, who: str, study: int, *, progress: Callable[[float], None]) -> EarlyHint | str:
    """An early look at a study of a book that is opened for it, or the words of what it refuses."""
    try:
        with Book.open(target, who=who, create=False) as book:
            return early_hint(book, study, progress=progress)
    except InputError as error:
        return str(error)


def in_book(target: str | Path | None, who: str, act: Callable[..., T], *, progress: Callable[[float], None]) -> T:
    """What an act makes on a book that is opened for it in a person's name."""
    with Book.open(target, who=who, create=False) as book:
        return act(book, progress=progress)


def keep_newest(kept: OrderedDict[K, T], key: K, value: T, most: int) -> None:
    """Keep a value, and no more than so many."""
    kept[key] = value
    kept.move_to_end(key)
    while len(kept) > most:
        kept.popitem(last=False)
