"""The recipe card: one page that says what to set, what it rests on, and what makes it void."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

import pytest
import zxingcpp
from markupsafe import escape

from doe.domain.recipe import CARE_LABEL, ROOM, RecipeSetting
from doe.domain.units import Shown
from doe.words.cautions import CAUTIONS, FIXED_WORDING
from reports.recipe.card import card_page, code_text, recipe_card
from tests.reports.recipe.samples import UID, WHEN, crowded, kept, recipe
from tests.shared import untapped

if TYPE_CHECKING:
    from playwright.sync_api import Browser

ON = date(2030, 6, 1)


def words(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", untapped(page).partition("<body")[2]).split())


def test_the_dial_is_large_and_the_surface_stands_beside_it():
    settings = {s.label: s for s in card_page(kept(), ON).settings}
    press = settings["Press temperature"]
    assert (press.big, press.other, press.is_dial) == ("167 °C", "333 °F", True)
    assert press.window == "window 164 to 168 °C (327 to 334 °F)"
    assert press.surface == "surface 163 °C (325 °F), window 160 to 164 °C (320 to 327 °F)"
    assert settings["Cure time"].window == "window 130 to 145 s"
    assert settings["Press dwell"].window == "window 15 s only"
    assert settings["Press pressure"].big == "3.0 bar"
    assert settings["Press pressure"].other == "44 psi"
    assert settings["Press pressure"].window == "held constant: keep exactly this"


def test_units_follow_the_reader_and_both_stay():
    press = card_page(kept(), ON, Shown("degF", "psi")).settings[2]
    assert (press.big, press.other) == ("333 °F", "167 °C")
    assert press.window == "window 327 to 334 °F (164 to 168 °C)"


def test_without_a_gauge_the_value_is_no_dial_value():
    bare = replace(recipe(), settings=(RecipeSetting("press_temp", "press temperature", "degC", 163.0),))
    setting = card_page(kept(bare), ON).settings[0]
    assert not setting.is_dial
    assert setting.surface == ""
    assert setting.window == "window not known: keep exactly this"
    assert "on the dial" not in words(recipe_card(kept(bare), ON))


def test_the_page_holds_everything_to_work_by():
    text = words(recipe_card(kept(), ON))
    for wanted in (
        "heavy tee",
        "Revision 1, for back room (tunnel oven, swing press), in force, review by 4 March 2031.",
        "Peel: wait 60 s, cold, slow and low.",
        "lot A12",
        "lot 77",
        "lot P3",
        "22 of 22 coupons passed",
        "Approved by Kim, 4 March 2030",
        "Review by 4 March 2031.",
        "another oven, press or platen",
        "a cliff: press temperature",
        "at least 91 %",
        FIXED_WORDING.replace("'", "&#39;"),
        *(c.replace("'", "&#39;") for c in CAUTIONS),
    ):
        assert wanted in text, wanted


def test_a_card_that_must_not_be_used_says_so_first():
    assert card_page(kept(), ON).warnings == ()
    old = card_page(kept(superseded=True), ON)
    assert old.warnings[0] == "Do not work by this card, it is not in force: superseded by a newer revision."
    gone = replace(recipe(), retired_at=WHEN)
    found = card_page(kept(gone, retired_why="powder is no longer made"), ON)
    said = "Do not work by this card, it is not in force: retired on 4 March 2030: powder is no longer made."
    assert found.warnings[0] == said
    due = card_page(kept(), date(2031, 3, 4))
    assert due.warnings == ("Review was due on 4 March 2031.",)
    assert "review was due" in due.revision_line


def test_an_exception_stands_where_the_confirmation_would():
    page = card_page(kept(replace(recipe(), confirmation=None, exception="trial order, kim answers")), ON)
    assert page.confirmation == "Released without an accepted confirmation: trial order, kim answers."


def test_names_are_escaped_and_long_ones_keep_the_id_in_the_code():
    nasty = replace(recipe(), name="<script>alert(1)</script>")
    assert "<script>alert" not in recipe_card(kept(nasty), ON)
    assert str(escape(nasty.name)) in recipe_card(kept(nasty), ON)
    assert code_text(replace(recipe(), name="ü" * 120), UID) == f"recipe {'ü' * 120}, revision 1, id {UID}"
    assert code_text(replace(recipe(), name="中" * 120), UID) == f"recipe id {UID}"


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("which", ["usual", "told", "crowded"])
def test_it_prints_on_exactly_one_page(browser: Browser, which, paper):
    page = browser.new_page()
    told = {CARE_LABEL: "wash at 40 degC, no tumble dryer", ROOM: "21 degC, 45 % humidity"}
    cliffs = tuple(
        f"a cliff: cure time {n} s longer than here, where film starts to stick (too much heat)" for n in "89"
    )
    made = {"usual": recipe(), "told": recipe(record=told, voids=(*recipe().voids, *cliffs)), "crowded": crowded()}
    page.set_content(recipe_card(kept(made[which]), ON))
    pdf = page.pdf(format=paper, print_background=True)
    page.close()
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) == 1


@pytest.mark.browser
def test_the_code_on_the_screen_reads_back_and_a_phone_shows_no_sideways_scroll(browser: Browser):
    import numpy as np
    from PIL import Image

    page = browser.new_page(viewport={"width": 390, "height": 900}, device_scale_factor=2)
    page.set_content(recipe_card(kept(crowded()), ON))
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    import io

    shot = Image.open(io.BytesIO(page.locator(".code").screenshot())).convert("L")
    page.close()
    found = zxingcpp.read_barcodes(np.asarray(shot))
    assert [f.text for f in found] == [code_text(crowded(), UID)]


def test_care_label_and_room_stand_on_the_card_as_they_were_written_down():
    page = card_page(kept(replace(recipe(), record={CARE_LABEL: "wash at 40 degC", ROOM: "21 degC, 45 %"})), ON)
    assert [(pair.name, pair.value) for pair in page.record] == [
        ("care label", "wash at 40 degC"),
        ("room climate", "21 degC, 45 %"),
    ]
    assert card_page(kept(replace(recipe(), record={})), ON).record == ()


def test_the_settings_come_before_what_is_said_of_the_claim():
    text = words(recipe_card(kept(replace(recipe(), cautions=("The claim is below the pass rate wanted.",))), ON))
    assert text.index("The claim is below") > text.index("What it rests on") > text.index("Settings")


@pytest.mark.browser
def test_window_care_label_and_room_are_read_at_arms_length(browser: Browser):
    # 12 pt: what a standing reader takes in without bending down (common practice, no source)
    page = browser.new_page()
    page.set_content(recipe_card(kept(replace(recipe(), record={CARE_LABEL: "wash at 40 degC", ROOM: "21 degC"})), ON))
    page.emulate_media(media="print")
    sizes = page.evaluate(
        "[...document.querySelectorAll('.held-to, .record dd')].map(e => parseFloat(getComputedStyle(e).fontSize))"
    )
    page.close()
    assert len(sizes) >= 4
    assert min(sizes) >= 16  # CSS pixels of 12 pt
