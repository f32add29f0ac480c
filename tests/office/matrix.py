"""Every use at every size of a window, by taps with scripts and without, and by keys alone: one walk each, timed."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from doe.book.book import Book
from tests.bench.shop import PageUnderTest
from tests.office.browser_walk import DESKTOP, PHONE, TABLET, BrowserWalk, served
from tests.office.onboarding import onboard
from tests.office.stories import (
    Person,
    Story,
    a_new_lot,
    a_print_fails,
    first_visit,
    own_sheet,
    somebody_learns,
    why_it_was_chosen,
)
from tests.office.walk import Walk

if TYPE_CHECKING:
    from playwright.sync_api import Browser

SIZES = {"phone": PHONE, "tablet": TABLET, "desktop": DESKTOP}
MODES = {"taps": {}, "taps without scripts": {"scripts": False}, "keys": {"by_keys": True}}


def onboarding(walk: Person, book: Book) -> None:
    """From an empty book to the card of its recipe."""
    first_visit(walk)
    onboard(walk, book)


FROM_EMPTY: tuple[Story, ...] = (onboarding, own_sheet, a_print_fails, somebody_learns)
AFTER: tuple[Story, ...] = (why_it_was_chosen, a_new_lot)
STORIES = {story.__name__: story for story in (*FROM_EMPTY, *AFTER)}


@dataclass(frozen=True)
class Cell:
    """One walk: a story by its name, a size and a mode by theirs."""

    story: str
    size: str
    mode: str

    def __str__(self) -> str:
        return f"{self.story}, {self.size}, {self.mode}"


ALL = tuple(Cell(story, size, mode) for story in STORIES for size in SIZES for mode in MODES)
USUAL = (
    Cell("onboarding", "tablet", "taps"),
    Cell("own_sheet", "desktop", "taps"),
    Cell("a_print_fails", "desktop", "keys"),
    Cell("a_print_fails", "phone", "taps without scripts"),
    Cell("somebody_learns", "phone", "taps"),
    Cell("somebody_learns", "tablet", "taps without scripts"),
    Cell("why_it_was_chosen", "tablet", "taps"),
    Cell("a_new_lot", "phone", "taps"),
)
"""What the usual tests walk; every story is walked by a client without scripts besides (`test_stories.py`)."""


@dataclass(frozen=True)
class Walked:
    """What a walk took: ``taps`` and forms on all devices, ``seconds``."""

    taps: int
    seconds: float


def walked(
    browser: Browser, place: Path, cell: Cell, *, at_end: Callable[[BrowserWalk, PageUnderTest], None] | None = None
) -> Walked:
    """Walk a story over a book; ``at_end`` is done on its last page.

    Of every round the first coupons are scored in the browser, the others on a second device of the same person.
    """
    who, began = "Ana" if STORIES[cell.story] in FROM_EMPTY else "Ben", time.monotonic()
    with served(place) as (office, address):
        helper = Walk(office.device(who, address="192.168.7.21"))
        # an empty book of a story has rounds only where it is onboarded
        walk = BrowserWalk(browser, address, who, size=SIZES[cell.size], helper=helper, **MODES[cell.mode])
        STORIES[cell.story](walk, office.book)
        if at_end is not None:
            at_end(walk, office)
        walk.close()
        return Walked(walk.taps + helper.taps, time.monotonic() - began)


def empty_book(place: Path) -> Path:
    """A book with nothing in it."""
    Book.open(place, who="owner").close()
    return place


def whole_copy(place: Path) -> Path:
    """A book in one file, without what is still in its log."""
    with Book.open(place, who="owner") as book:
        return Path(book.backup(place.with_name("whole.sqlite")))
