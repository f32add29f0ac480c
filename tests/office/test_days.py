"""The first article of a day by the page of its recipe: kept by the same act as the command, drawn, explained."""

from __future__ import annotations

import re
from dataclasses import replace
from urllib.parse import quote

from doe.acts.recipe.days import DAY, days_of
from doe.book.book import Book
from tests.book.samples import RECIPE
from tests.office.walk import Walk, compares
from tests.shop import Shop

NAME = "first articles"


@compares("/recipe/{recipe:path}/day")
def test_page_and_command_keep_the_same_first_article_and_draw_the_run(office_over, tmp_path):
    kept = {}
    said = {"prints": "3", "failed": "1", "seen": "release", "set_cure_temp": "124", "surface_cure_temp": "120"}
    for way in ("page", "command"):
        place = tmp_path / f"{way}.sqlite"
        with Book.open(place, who="owner") as book:
            book.save_line(RECIPE.line)
            book.release_recipe(replace(RECIPE, name=NAME), study=None)
        if way == "page":
            walk = Walk(office_over(place).device("Ana"))
            walk.go(f"/recipe/{NAME.replace(' ', '%20')}")
            assert "First article of today" in walk.page.text
            walk.send(f"/recipe/{NAME.replace(' ', '%20')}/day", **said, lot="", note="")
            top = walk.page.text.partition('class="stands')[0]
            assert "First article kept: 2 of 3 prints passed. 1 of 3 prints failed (release)" in " ".join(top.split())
            for words in ("1 of 3 prints failed (release)", "Rule: a failed print adds", 'class="plot run"'):
                assert words in walk.page.text
            walk.send(f"/recipe/{NAME.replace(' ', '%20')}/day", prints="1", failed="2", expect=422)
            assert "allowed: 0 to 1" in walk.page.text
        else:
            options = ("--set", "cure_temp=124", "--surface", "cure_temp=120", "--fail", "release")
            Shop(tmp_path, place).good("day", NAME, "--prints", "3", *options)
        with Book.open(place, who="owner") as book:
            (note,) = book.notes(DAY)
            kept[way] = {name: value for name, value in note.data.items() if name != "uid"}
            assert days_of(book, book.recipe(NAME)).score[-1] > 0
    assert kept["page"] == kept["command"]


def test_a_first_article_that_failed_leads_to_its_diagnosis_with_what_is_known(office_over, demo_book):
    name = "fine powder on the heavy tee"
    walk, page = Walk(office_over(demo_book).device("Ana")), "/recipe/" + quote(name)
    walk.go(page)
    assert "Find out what is wrong" not in walk.page.text
    walk.send(f"{page}/day", prints="2", failed="0")
    assert "Find out what is wrong" not in walk.page.text
    walk.send(f"{page}/day", prints="2", failed="1", seen="film_lock", set_press_temp="151")
    walk.tap("Find out what is wrong")
    assert re.search(rf'name="recipe" value="{name}" checked', walk.page.text)
    assert re.search(r'name="symptom" value="film_lock" checked', walk.page.text)
    assert 'name="set_press_temp" value="151"' in walk.page.text
    walk.send("/fails/found", symptom="film_lock")
    assert name in walk.page.text or "It may be" in walk.page.text
    # a recipe in doubt is one tap from it too
    for _ in range(4):
        walk.go(page)
        walk.send(f"{page}/day", prints="2", failed="2", seen="film_lock")
    walk.go("/")
    assert "in doubt" in walk.page.text
    walk.tap("Find out what is wrong")
    assert re.search(rf'name="recipe" value="{name}" checked', walk.page.text)
    assert walk.page.url.path == "/fails"
