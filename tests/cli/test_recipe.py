"""Recipes in use: lists, cards, history, the nearest one, and another line."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from doe.acts.recipe.on_line import recipe_on
from doe.acts.recipe.recipes import in_force_for
from doe.domain.gauge import GaugeReading
from doe.domain.recipe import nearest_recipes
from doe.domain.stack import Line, Machine, Material, Stack
from doe.words.gauges.cautions import caution_words
from doe.words.recipe.card import unknown_words
from tests.acts.recipe.samples import NAME, STUDY, TYPED, released

EXCEPTION = ("--exception", "trial order; Kim answers for it")


@pytest.fixture
def shop(shop_with):
    """A shop with one recipe in force."""
    made = shop_with(2)
    made.good("recommend", STUDY)
    released(made, *EXCEPTION)
    return made


def flat(text: str) -> str:
    return " ".join(text.split())


def test_an_empty_book_says_what_to_do(shop_with):
    made = shop_with(0)
    assert made.good("recipe", "list").out.startswith("No recipe is in force.")
    assert made.good("recipe", "list", "--all").out.startswith("No recipe is in the book yet.")
    assert made.good("recipe", "find", "--fabric", "tee").out.startswith("No recipe is in force.")
    refused = made.run("recipe", "show", "heavy tee")
    assert (refused.code, len(refused.errors)) == (2, 1)


def test_the_list_names_those_in_force_and_those_due(shop):
    assert flat(shop.good("recipe", "list").out).startswith("1 recipe in force; none is due for review.")
    with shop.open() as book:
        kept = book.recipe(NAME).recipe
        old = datetime.now(UTC) - timedelta(days=700)
        late = replace(kept, name="last year's", approved_at=old, review_on=(old + timedelta(days=365)).date())
        book.release_recipe(late, study=STUDY)
    found = shop.good("recipe", "list", "--json").json["recipes"]
    assert [(r["recipe"]["name"], r["due"]) for r in found] == [("last year's", True), (NAME, False)]
    said = shop.good("recipe", "list").out
    assert flat(said).startswith("2 recipes in force; 1 recipe due for review.")
    assert max(map(len, said.splitlines())) <= 80


def test_history_says_what_changed_and_all_lists_every_revision(shop):
    released(shop, *EXCEPTION, "--why", "wait was tried out", "--gap", "20 s, flat")
    out = flat(shop.good("recipe", "history", NAME).out)
    assert "2 revisions" in out
    assert "Why: wait was tried out" in out
    data = shop.good("recipe", "history", NAME, "--json").json["revisions"]
    changes = {(c["what"], c["before"], c["after"]) for c in data[1]["changes"]}
    assert ("handling", "Between cure and press: 10 s, flat.", "nothing") in changes
    assert ("handling", "nothing", "Between cure and press: 20 s, flat.") in changes
    assert {what for what, _, _ in changes} == {"handling"}
    assert [r["superseded"] for r in data] == [True, False]
    everything = shop.good("recipe", "list", "--all", "--json").json["recipes"]
    assert [r["recipe"]["revision"] for r in everything] == [1, 2]
    assert "superseded by a newer revision" in flat(shop.good("recipe", "show", NAME, "--revision", "1").out)


def test_a_retired_recipe_leaves_the_list_and_says_why(shop):
    assert shop.run("recipe", "retire", NAME, "--why", " ").code == 2
    shop.good("recipe", "retire", NAME, "--why", "powder is no longer made")
    assert shop.good("recipe", "list", "--json").json["recipes"] == []
    assert "powder is no longer made" in shop.good("recipe", "show", NAME).out
    shop.good("recipe", "card", NAME, "-o", "card.html")
    assert "Do not work by this card" in (shop.folder / "card.html").read_text(encoding="utf-8")
    assert shop.run("recipe", "retire", NAME, "--why", "again").code == 2
    with shop.open() as book:
        assert in_force_for(book, book.study(STUDY).id) is None


def test_the_card_is_written_whole_or_not_at_all(shop):
    found = shop.good("recipe", "card", NAME, "-o", "card.html", "--json").json
    assert found["in_force"] is True
    page = (shop.folder / "card.html").read_text(encoding="utf-8")
    assert "heavy tee" in page
    (shop.folder / "place").mkdir()
    assert shop.run("recipe", "card", NAME, "-o", "place").code == 2
    assert shop.run("recipe", "card", "light tee", "-o", "other.html").code == 2
    assert not (shop.folder / "other.html").exists()


def test_the_id_on_the_card_finds_the_recipe(shop):
    uid = shop.good("recipe", "show", NAME, "--json").json["uid"]
    assert shop.good("recipe", "show", uid.upper(), "--json").json["recipe"]["name"] == NAME
    assert shop.run("recipe", "show", "0" * 32).code == 2


def test_the_nearest_recipe_says_what_differs_and_that_words_are_not_proof(shop):
    with shop.open() as book:
        stack = book.study(STUDY).stack
        book.save_stack(replace(stack, name="new lot", film=replace(stack.film, lot="T78")))
        book.save_stack(Stack("fleece", Material("fleece"), stack.film, stack.powder))
    same = flat(shop.good("recipe", "find", stack.name).out)
    assert "is for the same materials, to the lot" in same
    other = flat(shop.good("recipe", "find", "new lot").out)
    assert "it is not for the same materials" in other
    assert "Similar in words is not similar in the press" in other
    found = shop.good("recipe", "find", "new lot", "--json").json["recipes"][0]
    assert {d["part"]: d["kind"] for d in found["differences"]}["film"] == "lot"
    fleece = shop.good("recipe", "find", "fleece", "--json").json["recipes"][0]
    assert fleece["same"] is False
    by_fabric = shop.good("recipe", "find", "--fabric", "Heavy  Tee; supplier=Orr", "--json").json["recipes"][0]
    assert [(d["part"], d["kind"]) for d in by_fabric["differences"]] == [("fabric", "supplier")]
    for words in ((), ("new lot", "--fabric", "tee")):
        assert shop.run("recipe", "find", *words).code == 2


def test_the_nearest_stack_comes_first(shop):
    with shop.open() as book:
        kept = book.recipe(NAME).recipe
        far = replace(kept.stack, fabric=Material("fleece"))
        book.release_recipe(replace(kept, name="a fleece", stack=far), study=None)
        found = nearest_recipes({"fabric": kept.stack.fabric}, book.recipes())
    assert [n.kept.recipe.name for n in found] == [NAME, "a fleece"]
    assert [n.same for n in found] == [True, False]


def test_on_a_line_with_the_same_oven_nothing_of_the_oven_is_in_doubt(shop):
    with shop.open() as book:
        kept, own = book.recipe(NAME), book.line("back room")
        book.save_line(Line("front room", press=Machine("clam press", 4, 12)).sharing("oven", own))
        moved = recipe_on(book, kept, "front room", on=datetime.now(UTC).date())
        here = recipe_on(book, kept, "back room", on=datetime.now(UTC).date())
    dials, at_home = ({s.setting.factor: s.dial for s in found.settings} for found in (moved, here))
    assert dials["cure_temp"] == at_home["cure_temp"]
    assert dials["press_temp"] is None
    codes = {fact.code for fact in moved.unknown}
    assert "other_platen" in codes
    assert "other_oven" not in codes


def test_on_another_line_the_surface_stays_and_the_dial_changes(shop):
    with shop.open() as book:
        kept = book.recipe(NAME)
        book.save_line(Line("front room", Machine("belt oven", 10, 15), Machine("clam press", 4, 12)))
        for set_to in (140.0, 155.0, 170.0):
            book.add_gauge_reading("front room", GaugeReading("press", set_to, set_to, set_to + 6))
        moved = recipe_on(book, kept, "front room", on=datetime.now(UTC).date())
    settings = {s.setting.factor: s for s in moved.settings}
    press = settings["press_temp"]
    assert press.dial.degc == round(press.setting.surface - 6)
    assert press.dial_low == pytest.approx(press.setting.window_low - 6, abs=0.5)
    assert settings["cure_temp"].dial is None
    assert settings["cure_time"].dial is None
    unknown = unknown_words(moved.unknown, kept.recipe)
    assert any(text.startswith("What to dial in for the cure temperature") for text in unknown)
    assert not any(text.startswith("What to dial in for the press temperature") for text in unknown)
    assert any("on front room" in text and "back room only" in text for text in unknown)
    assert any("pressure on the cloth" in text for text in unknown)
    assert any("oven was never measured" in text for text in caution_words(moved.cautions))
    found = shop.good("recipe", "on", NAME, "front room", "--json").json
    assert found["unknown"] == list(unknown)
    assert [fact["code"] for fact in found["facts"]["unknown"]] == [fact.code for fact in moved.unknown]
    out = shop.good("recipe", "on", NAME, "front room").out
    assert "It is not released there." in flat(out)
    assert max(map(len, out.splitlines())) <= 80
    assert f'doe study known "{NAME} on front room" --from-recipe' in out
    assert shop.run("recipe", "on", NAME, "nowhere").code == 2


def test_on_its_own_line_todays_readings_give_the_released_dial(shop):
    found = shop.good("recipe", "on", NAME, "back room", "--json").json
    assert found["own_line"] is True
    now = {s["setting"]["factor"]: s["dial"] for s in found["settings"]}
    assert (
        now["press_temp"]["degc"] == shop.good("recipe", "show", NAME, "--json").json["recipe"]["settings"][2]["dial"]
    )
    assert not any("confirm" in text for text in found["unknown"])


def test_a_dial_less_sure_than_the_window_is_wide_is_said(shop):
    with shop.open() as book:
        kept = book.recipe(NAME)
        book.save_line(Line("front room", Machine("belt oven", 10, 15), Machine("clam press", 4, 12)))
        book.add_gauge_reading("front room", GaugeReading("press", 60, 60, 58))
        moved = recipe_on(book, kept, "front room", on=datetime.now(UTC).date())
    said = unknown_words(moved.unknown, kept.recipe)
    assert any("really lies in the window: the dial is known to ±" in text for text in said)


def test_a_dial_at_the_ceiling_is_never_shown(shop):
    with shop.open() as book:
        kept = book.recipe(NAME)
        book.save_line(Line("front room", Machine("belt oven", 10, 15), Machine("clam press", 4, 12)))
        for set_to in (150.0, 170.0, 190.0):
            book.add_gauge_reading("front room", GaugeReading("press", set_to, set_to, set_to - 60))
        moved = recipe_on(book, kept, "front room", on=datetime.now(UTC).date())
    assert next(s for s in moved.settings if s.setting.factor == "press_temp").dial is None
    assert any("never do that" in text for text in caution_words(moved.cautions))


def test_every_command_takes_json_and_keeps_to_80_columns(shop):
    for words in (
        ("list",),
        ("show", NAME),
        ("history", NAME),
        ("find", "--powder", "fine powder"),
        ("on", NAME, "back room"),
    ):
        assert shop.good("recipe", *words, "--json").json["ok"] is True
        assert max(map(len, shop.good("recipe", *words).out.splitlines())) <= 80, words


def test_who_released_and_retired_stands_in_the_audit(shop):
    shop.good("recipe", "retire", NAME, "--why", "no more orders", "--who", "ben")
    with shop.open() as book:
        verbs = [(a.verb, a.who, a.why) for a in book.audit(3)]
    assert verbs[0] == ("retire revision 1", "ben", "no more orders")
    assert TYPED[1] == NAME
