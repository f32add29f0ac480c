"""Each use from an empty book's first visit to its last page, by pages alone and without scripts: taps and time."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from html import unescape
from pathlib import Path

import pytest

from doe.acts.practising import DONE
from doe.book.book import Book
from doe.office.pages import pages
from tests.bench.shop import PageUnderTest, make_desk
from tests.cli.test_practice import answers_to_the_fault
from tests.office.onboarding import onboard
from tests.office.walk import Walk

FIRST_VISIT = (
    "Find the settings for a new powder, film or fabric",
    "Confirm settings that you already know",
    "Coupons you already have",
    "A print fails",
    "Learn and practise",
)
CHECKS = ("release", "stretch", "wash_1", "wash_5")


@pytest.fixture
def told(capsys: pytest.CaptureFixture[str]) -> Callable[..., None]:
    def tell(use: str, walk: Walk, began: float, more: str = "") -> None:
        with capsys.disabled():
            print(f"\n{use}: {walk.taps} taps and forms, {time.monotonic() - began:.0f} s{more}")

    return tell


def first_visit(office: PageUnderTest, who: str = "Ana") -> Walk:
    """A person who opens an empty book, and is asked one thing."""
    walk = Walk(office.device(who))
    assert "Nothing is in this book yet" in walk.page.text
    places = [walk.page.text.index(text) for text in FIRST_VISIT]
    assert places == sorted(places)
    return walk


@dataclass(frozen=True)
class Onboarded:
    """A book after the first use: where it is, and what the walk to its recipe took."""

    place: Path
    walk: Walk
    made: int
    confirmed: int
    seconds: float


@pytest.fixture(scope="module")
def onboarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Onboarded]:
    """An empty book walked once from its first visit to the card of its recipe."""
    place, began = tmp_path_factory.mktemp("stories") / "shop.sqlite", time.monotonic()
    Book.open(place, who="owner").close()
    office = make_desk(place, is_local=True, more_pages=pages)
    walk = first_visit(office)
    made, confirmed = onboard(walk, office.book)
    took = time.monotonic() - began
    with Book.open(place, who="owner") as book:
        whole = book.backup(place.with_name("whole.sqlite"))
    yield Onboarded(Path(whole), walk, made, confirmed, took)
    office.bench.close()
    office.bench.shop.close()
    assert office.errors == []


@pytest.fixture
def after_onboarding(office_over: Callable[..., PageUnderTest], onboarded: Onboarded, tmp_path: Path) -> PageUnderTest:
    """Pages over a copy of that book."""
    place = tmp_path / "onboarded.sqlite"
    place.write_bytes(onboarded.place.read_bytes())
    return office_over(place)


def test_a_powder_is_onboarded(onboarded, told):
    more = f", {onboarded.made} coupons, {onboarded.confirmed} to confirm"
    told("onboarding", onboarded.walk, time.monotonic() - onboarded.seconds, more)
    assert onboarded.made >= 20
    assert onboarded.confirmed >= 20


def test_why_a_recipe_was_chosen(onboarded, after_onboarding, told):
    began = time.monotonic()
    before = after_onboarding.bench.shop.last_act()
    walk = Walk(after_onboarding.device("Ben"))
    walk.tap("tees")
    walk.tap("Why it was chosen")
    story = re.sub(r"\s+", " ", walk.page.text)
    # the plan, the answer and its figures were made again, and are what the book keeps
    assert "every figure below is the same as at release" in story
    for words in ("fine powder", "cotton tee", "its data sheet", "Ana"):
        assert words in story
    assert after_onboarding.bench.shop.last_act() == before
    told("why", walk, began, f", after the {onboarded.walk.taps} taps and {onboarded.seconds:.0f} s of onboarding")


def test_a_new_lot_beside_the_recipe(onboarded, after_onboarding, told):
    began, walk = time.monotonic(), Walk(after_onboarding.device("Ben"))
    walk.tap("tees")
    walk.tap("A new lot, blank, powder or film")
    walk.send("/recipe/tees/offer", powder_lot="P-2", way="staged")
    walk.send("/recipe/tees/begin")
    number = after_onboarding.book.studies()[0].id
    for _ in range(4):
        waiting = [c.coupon for c in after_onboarding.book.coupon_states(number) if c.passed is None]
        for coupon in waiting:
            walk.go(f"/c/{number}/{coupon}")
            walk.send(f"/score/{number}/{coupon}", **{f"check:{name}": "pass" for name in CHECKS}, hand="4")
        walk.go(f"/study/{number}")
        if f'action="/more-strokes/{number}"' not in walk.page.text:
            break
        walk.send(f"/more-strokes/{number}")
    walk.go(f"/study/{number}")
    assert "Go on carefully" in walk.page.text
    walk.send(f"/also/{number}", approved_by="Ben")
    walk.tap("Card")
    assert "P-2" in walk.page.text
    told(
        "a new lot", walk, began, f", after the {onboarded.walk.taps} taps and {onboarded.seconds:.0f} s of onboarding"
    )


def test_a_print_fails(office_over, told):
    office, began = office_over(), time.monotonic()
    walk = first_visit(office)
    walk.tap("A print fails")
    walk.go("/fails/found?symptom=edge_lift_wash&recipe=none&set_cure_temp=118&set_press_temp=150")
    for _ in range(2):  # checks one by one
        outcome = re.search(r'<ul class="tags outcomes">\s*<li><a href="([^"]*)"', walk.page.text)
        walk.go(unescape(outcome[1]))
    assert "Found so far" in walk.page.text
    assert "What helps" in walk.page.text
    cause = re.search(r'name="cause" value="([^"]+)"', walk.page.text)[1]
    walk.send("/fails/kept", cause=cause, note="the belt had been turned up")
    walk.go("/fails")
    walk.send("/fails/closed", case=re.search(r'name="case" value="([^"]+)"', walk.page.text)[1], back="passed")
    assert "Cases not closed yet" not in walk.page.text
    (case,) = office.book.notes("case")
    assert (case.data["cause"], case.data["back"]) == (cause, "passed")
    told("a print fails", walk, began)


def test_somebody_learns(office_over, told):
    office, began = office_over(), time.monotonic()
    walk = first_visit(office)
    walk.tap("Learn and practise")
    walk.tap("Who did what, and how well")
    walk.send("/class", exercise="fault", seed="12")
    walk.go("/practice")
    walk.go("/practice/fault")
    walk.send("/practice/fault", act="start")
    # left in the middle, it goes on where it stood
    first, *rest = answers_to_the_fault(12)
    walk.send("/practice/fault", answer=first, act="answer")
    walk.go("/")
    walk.tap("Learn and practise")
    walk.go("/practice/fault")
    for text in rest:
        walk.send("/practice/fault", answer=text, act="answer")
    (note,) = office.book.notes(DONE)
    assert (note.name, note.data["exercise"], note.data["seed"]) == ("Ana", "fault", 12)
    walk.go("/class")
    assert "Ana" in walk.page.text
    told("learn", walk, began)
