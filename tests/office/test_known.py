"""Settings that are known, from an empty book to a released card: by commands, by pages, and both books compared."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import pytest

from tests.office.walk import Walk, everything_in

if TYPE_CHECKING:
    from tests.shop import Shop

SHEET = "the film maker's sheet, revision 3"
NAME, RECIPE = "sheet of the cold film", "cold film"
SETTINGS = {"cure_temp": "120", "cure_time": "120", "press_temp": "150", "dwell": "12", "peel_wait": "30"}
LIMITS = {
    "film_max": "175",
    "powder_max": "180",
    "fabric_max": "180",
    "oven_max": "180",
    "press_max": "190",
    "min_cure_time": "60",
    "min_dwell": "5",
}
SOURCE = "its data sheet"
CHECKS = ("release", "stretch", "wash_1", "wash_5")
COUPONS = [f"R1-{n:02d}" for n in range(1, 9)]
HANDLING = {"gap": "10 s, flat", "second_press": "none", "care_label": "40, no tumble", "room": "21 degC, 45 %"}


def by_commands(shop: Shop) -> None:
    parts = ("--fabric", "tee; lot=A", "--film", "cold film; lot=7", "--powder", "fine powder; lot=P")
    shop.good("stack", "add", "tee", *parts)
    shop.good("line", "add", "back room", "--oven", "tunnel", "--press", "swing press")
    for machine, (set_to, measured) in {"press": ("150", "146"), "oven": ("120", "118")}.items():
        reading = ("--machine", machine, "--set", set_to, "--measured", measured, "--place", "centre")
        shop.good("gauge", "add", "back room", *reading)
    settings = [part for name, text in SETTINGS.items() for part in ("--set", f"{name}={text}")]
    target = ("--pass-rate", "80%", "--hand-min", "none", "--assurance", "80%")
    where = ("--stack", "tee", "--line", "back room", "--source", SHEET)
    shop.good("study", "known", NAME, *where, *settings, *target)
    limits = [part for name, text in LIMITS.items() for part in ("--limit", f"{name}={text}@{SOURCE}")]
    shop.good("study", "limits", NAME, *limits)
    shop.good("confirm", NAME, "--plan", "--claim", "0.8", "--assurance", "0.8")
    for coupon in COUPONS:
        passes = [part for check in CHECKS for part in ("--pass", check)]
        shop.good("record", NAME, "--coupon", coupon, *passes)
    handling = [part for name, text in HANDLING.items() for part in (f"--{name.replace('_', '-')}", text)]
    shop.good("release", NAME, "--as", RECIPE, "--approved-by", "Kim", *handling)


def by_pages(walk: Walk) -> None:
    walk.tap("Confirm settings that you already know")
    stack = {"fabric": "tee", "fabric_lot": "A", "film": "cold film", "film_lot": "7", "powder": "fine powder"}
    walk.send("/begin-materials", **stack, powder_lot="P", stack_name="tee")
    walk.send("/begin-machines", line_name="back room", oven="tunnel", press="swing press")
    begun = str(walk.page.url)
    walk.go("/line/back%20room")
    for machine, (set_to, measured) in {"press": ("150", "146"), "oven": ("120", "118")}.items():
        walk.send("/line/back%20room", machine=machine, display=set_to, measured=measured, place="centre")
    walk.go(begun)
    assert "One value for each setting" in walk.page.text
    target = {"pass_rate": "80%", "hand_min": "none", "assurance": "80%"}
    walk.send("/begin-question", name=NAME, **{**SETTINGS, "press_temp": "201"}, source=SHEET, **target, expect=422)
    assert "below 200" in walk.page.text
    walk.send("/begin-question", name=NAME, **SETTINGS, source=SHEET, **target)
    assert "Limits of the data sheets are missing" in walk.page.text
    walk.send("/limits/1", **LIMITS, **{f"{name}_source": SOURCE for name in LIMITS})
    assert "Settings known, not confirmed yet" in walk.page.text
    assert "154 °C" in walk.page.text  # on the dial, for 150 °C at the surface
    assert SHEET.replace("'", "&#39;") in walk.page.text
    walk.go("/")
    assert "Settings known, not confirmed yet" in walk.page.text
    walk.go("/study/1")
    walk.send("/confirm/1", claim="0.8|0.8|0")
    for coupon in COUPONS:
        walk.go(f"/c/1/{coupon}")
        walk.send(f"/score/1/{coupon}", **{f"check:{check}": "pass" for check in CHECKS})
    walk.go("/study/1")
    assert "Confirmed: 80 % of prints" in walk.page.text
    assert "8 of 8 coupons scored" in walk.page.text
    walk.send("/release/1", name=RECIPE, approved_by="Kim", **HANDLING)
    assert "Released as revision 1: confirmed, not searched" in walk.page.text
    for path in ("/recipe/cold%20film/card", "/recipe/cold%20film/why", "/paper/1/report", "/study/1"):
        walk.go(path)
        assert "confirmed, not searched" in walk.page.text, path
        assert "Nobody tried how far" in walk.page.text or "nobody tried how far" in walk.page.text, path


def test_dial_numbers_of_an_old_habit_are_told_on_the_page(office_over):
    office = office_over()
    walk = Walk(office.device("ana"))
    walk.tap("Confirm settings that you already know")
    walk.send("/begin-materials", fabric="tee", film="cold film", powder="fine powder", stack_name="tee")
    walk.send("/begin-machines", line_name="back room", oven="tunnel", press="swing press")
    begun = str(walk.page.url)
    walk.go("/line/back%20room")
    walk.send("/line/back%20room", machine="press", display="150", measured="146", place="centre")
    walk.go(begun)
    typed = {"name": "habit", "press_temp": "154", "dwell": "12", "source": "as ever"}
    walk.send("/begin-question", **typed, cure_temp="120", dial="yes", expect=422)
    assert "a dial number of a machine that no gauge reading tells of" in walk.page.text
    walk.send("/begin-question", **typed, dial="yes", cure_temp="")
    assert office.book.study(1).study.settings == {"press_temp": 150, "dwell": 12}


def test_a_recipe_is_carried_to_another_line_from_its_page(office_over, demo_book, tmp_path):
    place, name = tmp_path / "shop.sqlite", "fine powder on the heavy tee"
    place.write_bytes(demo_book.read_bytes())
    office = office_over(place)
    walk = Walk(office.device("ana"))
    walk.tap(name)
    walk.tap("To another line")
    assert "<h1>Known settings</h1>" in walk.page.text
    stack = office.book.recipe(name).recipe.stack
    assert re.search(rf'value="{re.escape(stack.name)}" checked', walk.page.text)
    walk.send("/begin-materials")
    # another line than its own is chosen beforehand
    assert re.search(r'name="line_chosen" value="new" checked', walk.page.text)
    walk.send("/begin-machines", line_name="front room", oven="drawer oven", press="clam press")
    assert re.search(rf'name="from_recipe" value="{name}" checked', walk.page.text)
    assert "<h1>Known settings</h1>" in walk.page.text
    walk.send("/begin-question", name="carried")
    made = office.book.studies()[0]
    record = office.book.study(made.id)
    assert (record.name, record.line.name) == ("carried", "front room")
    recipe = office.book.recipe(name).recipe
    assert record.study.settings["press_temp"] == pytest.approx(float(recipe.setting("press_temp").surface))
    assert name in str(record.study.known)
    walk.go("/begin")
    assert "<h1>A new study</h1>" in walk.page.text


def test_a_makers_sheet_from_an_empty_book_to_a_released_card_by_commands_and_by_pages(office_over, empty_shop):
    office = office_over()
    by_pages(Walk(office.device("ana")))
    by_commands(empty_shop)
    # every list counts the coupons that prove them, since none was made to search
    assert "8/8" in empty_shop.good("study", "list").out
    with empty_shop.open() as book:
        (listed,) = book.studies()
        assert (listed.coupons, listed.scored, listed.void) == (8, 8, 0)
        there, here = everything_in(book), everything_in(office.book)
    assert [act["verb"] for act in here["acts"]] == [act["verb"] for act in there["acts"]]
    for table, rows in there.items():
        assert list(map(_bare, here[table])) == list(map(_bare, rows)), table


def _bare(row: dict[str, Any]) -> dict[str, Any]:
    """A row without the moment of a reading, or of a release, its confirmation and its record."""
    data = row.get("data")
    if row.get("kind") == "release":
        row = {**row, "payload": {**row["payload"], "record": ""}}
    if isinstance(data, dict):
        data = {name: value for name, value in data.items() if name not in ("taken_at", "approved_at")}
        if data.get("confirmation"):
            data["confirmation"] = {**data["confirmation"], "judged_at": ""}
        return {**row, "data": data}
    return row
