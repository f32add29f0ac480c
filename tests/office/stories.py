"""Each use as one walk, from the first visit of an empty book or after onboarding: with scripts or without, alike."""

from __future__ import annotations

import re
from collections.abc import Callable
from html import unescape

from doe.acts.practising import DONE
from doe.book.book import Book
from tests.cli.test_own_sheet import LIMITS, odd_sheet
from tests.cli.test_practice import answers_to_the_fault
from tests.office.onboarding import Person
from tests.office.walk import field_of

FIRST_VISIT = (
    "Find the settings for a new powder, film or fabric",
    "Confirm settings that you already know",
    "Coupons you already have",
    "A print fails",
    "Learn and practise",
)
CHECKS = ("release", "stretch", "wash_1", "wash_5")
SHEET = "old tries.csv"

Story = Callable[[Person, Book], None]


def first_visit(walk: Person) -> None:
    """An empty book asks one thing."""
    assert "Nothing is in this book yet" in walk.page.text
    places = [walk.page.text.index(text) for text in FIRST_VISIT]
    assert places == sorted(places)


def own_sheet(walk: Person, book: Book) -> None:
    """From a sheet under odd headings to its report."""
    first_visit(walk)
    walk.tap("Coupons you already have")
    walk.send("/own-sheet", files={"file": (SHEET, odd_sheet())})
    assert "25 rows under 9 headings" in walk.page.text
    words = {field_of(walk.page.text, "“peeled”"): "edge_lift_dry", field_of(walk.page.text, "“stuck”"): "film_lock"}
    walk.send("/own-columns", **words, people="Ana", leave_15="yes")
    walk.send("/begin-materials", fabric="heavy tee", film="cold film", powder="fine powder", stack_name="tee")
    walk.send("/begin-machines", line_name="back room", oven="tunnel", press="swing press")
    assert "24 coupons of the sheet count" in walk.page.text
    limits = dict(text.partition("@")[0].split("=") for text in LIMITS)
    walk.send("/own-question", **limits, **{f"{name}_source": "its data sheet" for name in limits})
    walk.send("/answer/1")
    assert "What to dial in" in walk.page.text
    walk.go("/paper/1/report")
    assert "Rows left out: 15." in walk.page.text
    assert book.result_columns(1)["coupon"]


def why_it_was_chosen(walk: Person, book: Book) -> None:
    """After onboarding: every answer made again, and nothing stored by looking."""
    before = book.audit(1)
    walk.tap("tees")
    walk.tap("Why it was chosen")
    story = re.sub(r"\s+", " ", walk.page.text)
    # the plan, the answer and its figures were made again, and are what the book keeps
    assert "every figure below is the same as at release" in story
    for words in ("fine powder", "cotton tee", "its data sheet", "Ana"):
        assert words in story
    assert book.audit(1) == before


def a_new_lot(walk: Person, book: Book) -> None:
    """After onboarding: a new lot of the powder, in stages, until the recipe names it."""
    walk.tap("tees")
    walk.tap("A new lot, blank, powder or film")
    walk.send("/recipe/tees/offer", powder_lot="P-2", way="staged")
    walk.send("/recipe/tees/begin")
    number = book.studies()[0].id
    for _ in range(4):
        waiting = [c.coupon for c in book.coupon_states(number) if c.passed is None]
        for scored, coupon in enumerate(waiting):
            device = walk.at(scored)
            device.coupon(number, coupon)
            device.send(f"/score/{number}/{coupon}", **{f"check:{name}": "pass" for name in CHECKS}, hand="4")
        walk.go(f"/study/{number}")
        if f'action="/more-strokes/{number}"' not in walk.page.text:
            break
        walk.send(f"/more-strokes/{number}")
    assert "Go on carefully" in walk.page.text
    walk.send(f"/also/{number}", approved_by="Ben")
    walk.tap("Card")
    assert "P-2" in walk.page.text


def a_print_fails(walk: Person, book: Book) -> None:
    """From what is seen, by two checks, to a case that is closed."""
    first_visit(walk)
    walk.tap("A print fails")
    walk.send("/fails/found", symptom="edge_lift_wash", recipe="none", set_cure_temp="118", set_press_temp="150")
    for _ in range(2):  # checks one by one
        outcome = re.search(r'<ul class="tags outcomes">\s*<li><a href="([^"]*)"', walk.page.text)
        assert outcome
        walk.go(unescape(outcome[1]))
    assert "Found so far" in walk.page.text
    assert "What helps" in walk.page.text
    cause = value_of("cause", walk.page.text)
    walk.send("/fails/kept", cause=cause, note="the belt had been turned up")
    walk.go("/fails")
    walk.send("/fails/closed", case=value_of("case", walk.page.text), back="passed")
    assert "Cases not closed yet" not in walk.page.text
    (case,) = book.notes("case")
    assert (case.data["cause"], case.data["back"]) == (cause, "passed")


def value_of(name: str, page: str) -> str:
    """The first value of a field that is chosen from."""
    found = re.search(rf'name="{name}" value="([^"]+)"', page)
    assert found
    return unescape(found[1])


def somebody_learns(walk: Person, book: Book) -> None:
    """From the exercises to the page of the class, with an exercise left in the middle."""
    first_visit(walk)
    walk.tap("Learn and practise")
    walk.tap("Who did what, and how well")
    walk.send("/class", exercise="fault", seed="12")
    walk.go("/practice")
    walk.go("/practice/fault")
    walk.send("/practice/fault", act="start")
    first, *rest = answers_to_the_fault(12)
    walk.send("/practice/fault", choice=first)
    # left in the middle, it goes on where it stood
    walk.go("/")
    walk.tap("Learn and practise")
    walk.go("/practice/fault")
    for text in rest:
        walk.send("/practice/fault", choice=text.replace(" ", ""))
    (note,) = book.notes(DONE)
    assert (note.name, note.data["exercise"], note.data["seed"]) == ("Ana", "fault", 12)
    walk.go("/class")
    assert "Ana" in walk.page.text
