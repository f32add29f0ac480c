"""First articles are kept with the recipe, judged by its promise, and put it in doubt until that is explained."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from doe.acts.recipe.days import clear_doubt, days_of, keep_day
from doe.acts.study.standing import standing_of_recipe
from doe.acts.waiting import what_waits
from doe.assure.days import Given
from doe.book.book import Book
from doe.domain.errors import InputError
from doe.domain.recipe import RecipeSetting
from doe.domain.units import METRIC
from doe.words.recipe.days import day_lines, judged_words
from doe.words.study.standing import headline, meaning
from reports.recipe.days import day_charts
from tests.book.samples import RECIPE

NAME = "first articles"
WHEN = datetime(2026, 1, 1, tzinfo=UTC)


@pytest.fixture
def book(tmp_path: Path) -> Book:
    made = Book.open(tmp_path / "b.sqlite", who="ana")
    press = RecipeSetting("press_temp", "press temperature", "degC", 155, 158, 0.5, 150, 160, 153, 163)
    made.save_line(RECIPE.line)
    review = WHEN.date().replace(year=2027)
    recipe = replace(RECIPE, name=NAME, settings=(press,), held={}, approved_at=WHEN, review_on=review)
    made.release_recipe(recipe, study=None)
    return made


def test_failures_put_a_recipe_in_doubt_by_its_rule_and_an_explanation_ends_that(book: Book) -> None:
    with book:
        run = keep_day(book, NAME, Given(2, 0))
        assert (run.doubt, judged_words(run)) == ("", ("Go on: the settings are the recipe's, and nothing failed.",))
        run = keep_day(book, NAME, Given(3, 1, ("release",)))
        assert "Do not go on before the cause is known" in judged_words(run)[-1]
        while run.score[-1] < run.rule.limit:
            run = keep_day(book, NAME, Given(1, 1))
        assert run.doubt == "prints"
        known = standing_of_recipe(book, book.recipe(NAME))
        assert (known.state, known.steps[0].step) == ("doubtful", "diagnose")
        assert "first articles fail" in headline(known)
        doubt = next(w for w in what_waits(book) if w.kind == "doubt")
        assert (doubt.name, doubt.day) == (NAME, run.since.astimezone().date())
        assert len(day_charts(run)) == 1
        with pytest.raises(InputError, match="no reason"):
            clear_doubt(book, NAME, " ")
        kept = len(run.articles)
        run = clear_doubt(book, NAME, "cold place, pad mended")
        assert run.doubt == ""
        told = " ".join(day_lines(run))
        assert "No first article is kept since the explanation yet." in told
        assert f": {kept} first articles, {sum(a.given.prints for a in run.earlier)} prints, " in told
        assert standing_of_recipe(book, book.recipe(NAME)).state == "released"
        assert "doubt" not in {w.kind for w in what_waits(book)}


def test_prints_at_other_settings_do_not_count_for_the_recipe(book: Book) -> None:
    with book:
        run = keep_day(book, NAME, Given(3, 3, (), {"press_temp": 140.0}))
        assert (run.articles[0].off, run.score, run.doubt) == (("press_temp",), (), "")
        assert "140 °C (284 °F) is dialled, the recipe says 158 °C (316" in " ".join(judged_words(run, METRIC))
        assert keep_day(book, NAME, Given(1, 0, (), {"press_temp": 163.0})).score == (0,)


def test_a_surface_that_drifts_beyond_the_gauge_puts_the_recipe_in_doubt(book: Book) -> None:
    with book:
        at = {"press_temp": 158.0}
        assert keep_day(book, NAME, Given(1, 0, (), at, {"press_temp": 156.0})).glances[0].verdict == ""
        # dialled 160 is expected at 157: what was dialled is taken out of the reading
        run = keep_day(book, NAME, Given(1, 0, (), {"press_temp": 160.0}, {"press_temp": 153.5}))
        assert run.glances[0].off == pytest.approx((1.0, -3.5))
        assert run.glances[0].verdict == "glance"
        run = keep_day(book, NAME, Given(1, 0, (), at, {"press_temp": 151.0}))
        assert run.doubt == "drift"
        assert "the surface drifted" in headline(standing_of_recipe(book, book.recipe(NAME)))
        assert len(day_charts(run)) == 2


def test_what_cannot_be_is_refused(book: Book) -> None:
    with book:
        for given, found in ((Given(4), "prints"), (Given(2, 3), "failed"), (Given(1, 0, (), {"dwell": 3.0}), "dwell")):
            with pytest.raises(InputError, match=found):
                keep_day(book, NAME, given)
        assert days_of(book, book.recipe(NAME)).articles == ()


def test_first_articles_travel_with_an_export(book: Book, tmp_path: Path) -> None:
    with book:
        keep_day(book, NAME, Given(2, 1, ("release",), {"press_temp": 158.0}, {"press_temp": 155.0}, "P4", "Monday"))
        book.export(tmp_path / "b.zip")
        there = days_of(book, book.recipe(NAME)).articles
        with Book.open(tmp_path / "other.sqlite", who="ben") as other:
            other.import_(tmp_path / "b.zip")
            assert days_of(other, other.recipe(NAME)).articles == there


def test_another_machine_in_the_place_of_one_puts_the_recipe_in_doubt(book: Book) -> None:
    """A sign that it may not hold is no reason to trust it: readings of the old press say nothing of the new one."""
    with book:
        line = book.line(RECIPE.line.name)
        book.save_line(line.with_new("press", "another press", datetime.now(UTC)), "the old one broke")
        known = standing_of_recipe(book, book.recipe(NAME))
        assert (known.state, [s.step for s in known.steps]) == ("doubtful", ["measure", "confirm", "retire"])
        assert "another machine" in headline(known)
        assert "another press stands on" in meaning(known)
        clear_doubt(book, NAME, "confirmed on the new one")
        assert standing_of_recipe(book, book.recipe(NAME)).state == "released"
        book.save_line(book.line(line.name).with_new("press", "a third one", datetime.now(UTC)), "sold")
        assert standing_of_recipe(book, book.recipe(NAME)).state == "doubtful"
