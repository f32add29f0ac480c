"""Each use from an empty book's first visit to its last page, without scripts and without a browser: taps and time."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from doe.book.book import Book
from doe.office.pages import pages
from tests.bench.shop import PageUnderTest, make_desk
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


@dataclass(frozen=True)
class Onboarded:
    """A book after the first use: where it is, and what the walk to its recipe took."""

    place: Path
    taps: int
    made: int
    confirmed: int
    seconds: float


@pytest.fixture(scope="module")
def onboarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Onboarded]:
    """An empty book walked once from its first visit to the card of its recipe."""
    place, began = tmp_path_factory.mktemp("stories") / "shop.sqlite", time.monotonic()
    Book.open(place, who="owner").close()
    office = make_desk(place, is_local=True, more_pages=pages)
    walk = Walk(office.device("Ana"))
    first_visit(walk)
    made, confirmed = onboard(walk, office.book)
    took = time.monotonic() - began
    with Book.open(place, who="owner") as book:
        whole = book.backup(place.with_name("whole.sqlite"))
    yield Onboarded(Path(whole), walk.taps, made, confirmed, took)
    office.bench.close()
    office.bench.shop.close()
    assert office.errors == []


@pytest.fixture
def after_onboarding(office_over: Callable[..., PageUnderTest], onboarded: Onboarded, tmp_path: Path) -> PageUnderTest:
    """Pages over a copy of that book."""
    place = tmp_path / "onboarded.sqlite"
    place.write_bytes(onboarded.place.read_bytes())
    return office_over(place)


def test_a_powder_is_onboarded(onboarded, capsys):
    with capsys.disabled():
        made = f"{onboarded.made} coupons, {onboarded.confirmed} to confirm"
        print(f"\nonboarding: {onboarded.taps} taps and forms, {onboarded.seconds:.0f} s, {made}")
    assert onboarded.made >= 20
    assert onboarded.confirmed >= 20


@pytest.mark.parametrize("story", [own_sheet, a_print_fails, somebody_learns], ids=lambda story: story.__name__)
def test_from_an_empty_book(office_over, story: Story, capsys):
    office, began = office_over(), time.monotonic()
    walk = Walk(office.device("Ana"))
    story(walk, office.book)
    with capsys.disabled():
        print(f"\n{story.__name__}: {walk.taps} taps and forms, {time.monotonic() - began:.0f} s")


@pytest.mark.parametrize("story", [why_it_was_chosen, a_new_lot], ids=lambda story: story.__name__)
def test_after_onboarding(onboarded, after_onboarding, story: Story, capsys):
    began, walk = time.monotonic(), Walk(after_onboarding.device("Ben"))
    story(walk, after_onboarding.book)
    with capsys.disabled():
        before = f"after the {onboarded.taps} taps and {onboarded.seconds:.0f} s of onboarding"
        print(f"\n{story.__name__}: {walk.taps} taps and forms, {time.monotonic() - began:.0f} s, {before}")
