"""Each use in real Chromium from an empty book to its last page, by what a person taps, scripts on: taps and time.

The walks are those of `tests.office.stories`, which are done without a browser too. Of every round
the first coupons are scored in the browser, the others on a second device of the same person, which has no scripts.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from doe.book.book import Book
from tests.axe_check import need_axe, violations
from tests.office.browser_walk import DESKTOP, PHONE, TABLET, BrowserWalk, served
from tests.office.onboarding import onboard
from tests.office.stories import (
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

pytestmark = pytest.mark.browser


@pytest.fixture
def told(capsys: pytest.CaptureFixture[str]) -> Callable[[str, BrowserWalk, float], None]:
    """What a use took, and whether its last page has no violation and does not run off the side."""
    need_axe()

    def tell(use: str, walk: BrowserWalk, took: float) -> None:
        size = walk.screen.viewport_size
        assert violations(walk.screen) == []
        assert walk.screen.evaluate("document.documentElement.scrollWidth") <= size["width"]
        walk.close()
        with capsys.disabled():
            by = "by keys" if walk.by_keys else "by taps"
            taps = walk.taps + (0 if walk.helper is None else walk.helper.taps)
            print(f"\n{use} in Chromium, {size['width']} px, {by}: {taps} taps and forms, {took:.0f} s")

    return tell


def empty_book(place: Path) -> Path:
    """A book with nothing in it."""
    Book.open(place, who="owner").close()
    return place


@pytest.fixture(scope="module")
def onboarded(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, BrowserWalk, float]]:
    """An empty book taken in the browser to the card of its recipe, which stays open."""
    place, began = empty_book(tmp_path_factory.mktemp("onboarded") / "shop.sqlite"), time.monotonic()
    with served(place) as (office, address):
        helper = Walk(office.device("Ana", address="192.168.7.21"))
        walk = BrowserWalk(browser, address, "Ana", size=TABLET, helper=helper)
        first_visit(walk)
        onboard(walk, office.book)
        with Book.open(place, who="owner") as book:
            whole = book.backup(place.with_name("whole.sqlite"))
        yield Path(whole), walk, time.monotonic() - began


def test_a_powder_is_onboarded(onboarded, told):
    _, walk, took = onboarded
    told("onboarding", walk, took)


@pytest.mark.parametrize(
    ("story", "size", "by_keys"),
    [(own_sheet, DESKTOP, False), (a_print_fails, DESKTOP, True), (somebody_learns, PHONE, False)],
    ids=["own_sheet", "a_print_fails_by_keys", "somebody_learns"],
)
def test_from_an_empty_book(browser, tmp_path, told, story: Story, size, by_keys):
    began = time.monotonic()
    with served(empty_book(tmp_path / "shop.sqlite")) as (office, address):
        walk = BrowserWalk(browser, address, "Ana", size=size, by_keys=by_keys)
        story(walk, office.book)
        told(story.__name__, walk, time.monotonic() - began)


@pytest.mark.parametrize(
    ("story", "size"), [(why_it_was_chosen, DESKTOP), (a_new_lot, PHONE)], ids=["why_it_was_chosen", "a_new_lot"]
)
def test_after_onboarding(browser, onboarded, tmp_path, told, story: Story, size):
    place = tmp_path / "onboarded.sqlite"
    place.write_bytes(onboarded[0].read_bytes())
    began = time.monotonic()
    with served(place) as (office, address):
        helper = Walk(office.device("Ben", address="192.168.7.21"))
        walk = BrowserWalk(browser, address, "Ben", size=size, helper=helper)
        story(walk, office.book)
        told(story.__name__, walk, time.monotonic() - began)
