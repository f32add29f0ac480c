"""Each use in real Chromium from an empty book to its last page, by what a person does: taps and time.

The walks are those of `tests.office.stories`, which are done without a browser too. The usual pairs of size and mode
are few; ``DOE_STORIES=all`` walks every story at every size, with scripts and without, and by keys alone.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.axe_check import need_axe, violations
from tests.bench.shop import PageUnderTest
from tests.office.browser_walk import BrowserWalk
from tests.office.matrix import AFTER, ALL, MODES, SIZES, STORIES, USUAL, Cell, Walked, empty_book, walked, whole_copy

pytestmark = pytest.mark.browser

CELLS = ALL if os.environ.get("DOE_STORIES") == "all" else USUAL
LATER = tuple(cell for cell in CELLS if STORIES[cell.story] in AFTER)
FIRST, *OTHERS = (cell for cell in CELLS if cell not in LATER)


def last_page(walk: BrowserWalk, office: PageUnderTest) -> None:
    """The last page has no violation and does not run off the side."""
    del office
    if walk.scripts:  # axe-core is one itself
        assert violations(walk.screen) == []
    assert walk.screen.evaluate("document.documentElement.scrollWidth") <= walk.screen.viewport_size["width"]


@pytest.fixture
def tell(capsys: pytest.CaptureFixture[str]) -> Callable[[Cell, Walked], None]:
    def told(cell: Cell, found: Walked) -> None:
        with capsys.disabled():
            print(f"\n{cell} in Chromium: {found.taps} taps and forms, {found.seconds:.0f} s")

    return told


@pytest.fixture(scope="module")
def onboarded(browser, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Walked]:
    """An empty book taken in the browser to the card of its recipe."""
    need_axe()
    place = empty_book(tmp_path_factory.mktemp("onboarded") / "shop.sqlite")
    found = walked(browser, place, FIRST, at_end=last_page)
    return whole_copy(place), found


def test_a_powder_is_onboarded(onboarded, tell):
    tell(FIRST, onboarded[1])


@pytest.mark.parametrize("cell", OTHERS, ids=str)
def test_from_an_empty_book(browser, tmp_path, tell, cell: Cell):
    need_axe()
    tell(cell, walked(browser, empty_book(tmp_path / "shop.sqlite"), cell, at_end=last_page))


@pytest.mark.parametrize("cell", LATER, ids=str)
def test_after_onboarding(browser, onboarded, tmp_path, tell, cell: Cell):
    place = tmp_path / "onboarded.sqlite"
    place.write_bytes(onboarded[0].read_bytes())
    tell(cell, walked(browser, place, cell, at_end=last_page))


def test_the_usual_pairs_meet_every_story_size_and_mode():
    assert {cell.story for cell in USUAL} == set(STORIES)
    for size in SIZES:
        assert len({cell.story for cell in USUAL if cell.size == size}) > 1, size
    assert {cell.mode for cell in USUAL} == set(MODES)
    assert len(ALL) == len(set(ALL)) == len(STORIES) * len(SIZES) * len(MODES)
    assert set(USUAL) <= set(ALL)
