"""The first article of a day by the page of its recipe: kept by the same act as the command, drawn, explained."""

from __future__ import annotations

from dataclasses import replace

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
