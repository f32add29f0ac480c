"""Diagnosis holds what is dialled in against the released recipe in force, and says which revision."""

from __future__ import annotations

import pytest

from doe.acts.diagnosis import recipe_in_use, setting_of
from tests.acts.recipe.samples import NAME, STUDY, released

EXCEPTION = ("--exception", "trial order; Kim answers for it")


@pytest.fixture
def shop(shop_with):
    """A shop with one recipe in force."""
    made = shop_with(2)
    made.good("recommend", STUDY)
    released(made, *EXCEPTION)
    return made


def press_of(shop) -> dict[str, float]:
    settings = shop.good("recipe", "show", NAME, "--json").json["recipe"]["settings"]
    found: dict[str, float] = next(s for s in settings if s["factor"] == "press_temp")
    return found


def test_the_dial_of_the_recipe_is_what_settings_are_held_against(shop):
    press = press_of(shop)
    low = f"press_temp={press['dial'] - 20:.0f}"
    found = shop.good("diagnose", STUDY, "--symptom", "sheet lift after wash", "--set", low, "--json").json
    assert (found["recipe"], found["revision"]) == (NAME, 1)
    (move,) = found["advice"]["moves"]
    assert move["to"] == press["dial"] != press["surface"]
    said = shop.good("diagnose", STUDY, "--symptom", "sheet lift after wash", "--set", low).out
    assert "Held against recipe heavy tee, revision 1, which is in force." in said


def test_a_setting_in_the_window_of_the_dial_is_inside(shop):
    press = press_of(shop)
    with shop.open() as book:
        inside = setting_of(book, STUDY, {"press_temp": press["dial_high"]}, ask_surfaces=False)
        above = setting_of(book, STUDY, {"press_temp": press["dial_high"] + 1}, ask_surfaces=False)
    assert dict(inside.levels) == {"press_temp": "inside"}
    assert dict(above.levels) == {"press_temp": "high"}


def test_settings_of_a_coupon_are_held_against_the_surface(shop):
    press = press_of(shop)
    with shop.open() as book:
        inside = setting_of(book, STUDY, {"press_temp": press["surface"]}, ask_surfaces=False, given="study")
        at_dial = setting_of(book, STUDY, {"press_temp": press["window_high"] + 1}, ask_surfaces=False, given="study")
    assert dict(inside.levels) == {"press_temp": "inside"}
    assert dict(at_dial.levels) == {"press_temp": "high"}
    assert press["window_high"] + 1 < press["dial_high"]


def test_the_surfaces_are_asked_at_the_surface_behind_the_dial(shop):
    with shop.open() as book:
        kept = book.recipe(NAME).recipe
        use = recipe_in_use(kept, None)
        here = setting_of(book, STUDY, dict(use.settings))
        book.retire_recipe(NAME, "test")
        # without a recipe the last answer stands in, in the terms of the study
        there = setting_of(book, STUDY, {s.factor: s.surface for s in kept.settings if s.factor != "pressure"})
    assert (here.p_under, here.p_over) == (there.p_under, there.p_over)
    assert there.released == ""


def test_a_map_that_the_results_contradict_is_not_asked(shop, monkeypatch):
    def sides():
        with shop.open() as book:
            here = setting_of(book, STUDY, dict(recipe_in_use(book.recipe(NAME).recipe, None).settings))
        return here.p_under, here.p_over

    assert None not in sides()
    monkeypatch.setattr("doe.acts.diagnosis.contradicted", lambda surfaces: ("C01",))
    assert sides() == (None, None)


def test_the_newest_revision_counts_and_none_that_is_retired(shop):
    released(shop, *EXCEPTION, "--why", "tried the wait", "--gap", "20 s")
    assert shop.good("diagnose", STUDY, "--symptom", "scorch", "--json").json["revision"] == 2
    shop.good("recipe", "retire", NAME, "--why", "no more orders")
    found = shop.good("diagnose", STUDY, "--symptom", "scorch", "--json").json
    assert (found["recipe"], found["revision"]) == (None, None)
    assert "Held against recipe" not in shop.good("diagnose", STUDY, "--symptom", "scorch").out


def test_a_recipe_can_be_named_and_its_case_is_told_in_its_story(shop):
    found = shop.good(
        "diagnose", "--recipe", NAME, "--symptom", "scorch", "--turned-out", "press_runs_hot", "--json"
    ).json
    assert (found["recipe"], found["study"]) == (NAME, STUDY)
    shop.good("report", "--recipe", NAME, "-o", "why.html")
    assert "1 case diagnosed" in (shop.folder / "why.html").read_text(encoding="utf-8").replace("\xa0", " ")


def test_a_name_that_cannot_be_used_is_refused(shop):
    shop.good("recipe", "retire", NAME, "--why", "no more orders")
    for words, said in (
        (("--recipe", NAME), "retired: no more orders"),
        (("--recipe", "light tee"), "heavy tee"),
        ((STUDY, "--recipe", NAME), "one of them"),
    ):
        refused = shop.run("diagnose", *words, "--symptom", "scorch")
        assert (refused.code, len(refused.errors)) == (2, 1)
        assert said in refused.err
