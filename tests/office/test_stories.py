"""Uses walked from their first page to their last without scripts, with taps and time: learn, why, a print fails."""

from __future__ import annotations

import re
import time
from html import unescape

from doe.acts.practising import DONE
from tests.cli.test_practice import answers_to_the_fault
from tests.office.walk import Walk

RECIPE = "fine powder on the heavy tee"


def told(capsys, use: str, walk: Walk, began: float) -> None:
    with capsys.disabled():
        print(f"\n{use}: {walk.taps} taps and forms, {time.monotonic() - began:.0f} s")


def test_somebody_learns_from_an_empty_book_to_the_page_of_the_class(office_over, capsys):
    office, began = office_over(), time.monotonic()
    walk = Walk(office.device("Ana"))
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
    told(capsys, "learn", walk, began)


def test_why_a_recipe_was_chosen_is_read_from_the_first_page(office_over, demo_book, capsys):
    office, began = office_over(demo_book), time.monotonic()
    before = office.bench.shop.last_act()
    walk = Walk(office.device("Ana"))
    walk.tap(RECIPE)
    walk.tap("Why it was chosen")
    assert "every figure" in walk.page.text or "Revision 1" in walk.page.text
    assert office.bench.shop.last_act() == before
    told(capsys, "why", walk, began)


def test_a_print_fails_from_the_first_page_to_the_case_that_is_closed(office_over, demo_book, tmp_path, capsys):
    place, began = tmp_path / "shop.sqlite", time.monotonic()
    place.write_bytes(demo_book.read_bytes())
    walk = Walk(office_over(place).device("Ana"))
    walk.tap("A print fails")
    walk.go(f"/fails/found?symptom=edge_lift_wash&recipe={RECIPE.replace(' ', '+')}")
    for _ in range(2):  # checks one by one
        outcome = re.search(r'<ul class="tags outcomes">\s*<li><a href="([^"]*)"', walk.page.text)
        walk.go(unescape(outcome[1]))
    assert "Found so far" in walk.page.text
    walk.send("/fails/kept", cause=re.search(r'name="cause" value="([^"]+)"', walk.page.text)[1])
    walk.go("/fails")
    walk.send("/fails/closed", case=re.search(r'name="case" value="([^"]+)"', walk.page.text)[1], back="passed")
    walk.go("/fails")
    assert "Cases not closed yet" not in walk.page.text
    told(capsys, "a print fails", walk, began)
