"""The page of a finished exercise says what was spent, what counted, what was true, and shows it."""

from __future__ import annotations

import re
from html import escape

import numpy as np
import pytest

from doe.assure.days import Glances
from doe.domain.units import Shown
from doe.symptoms.catalogue import symptom
from doe.words import practice as words
from reports.drawing.plot import SHAPES
from reports.pages import render
from reports.practice import map_finding, practice_page
from reports.recipe.days import glance_chart
from tests.practice.replay import replay
from tests.shared import untapped


@pytest.fixture(scope="module")
def swept():
    answers = [
        "110 117 125 132 140",
        "125",
        "90 115 137 170 210",
        "140",
        "140 147 155 162 170",
        "155",
        "8 11 13 16 20",
        "13",
        "plan",
    ]
    return replay("compare", 1, answers).outcome


def practice_html(outcome, **named):
    """The page as it is written."""
    return untapped(render("practice.html", practice_page(outcome, **named), names=()))


def test_page_shows_settings_side_by_side_and_two_maps(swept):
    page = practice_html(swept, who="Bo & Co", day="2030-01-02")
    assert f"{swept.score} of 100 points" in page
    assert "Bo &amp; Co, 2030-01-02" in page
    assert page.count("<figure") == 2
    for text in ("the plan", "An invented world", "Before you touch a machine", *words.truth(swept)[:1]):
        assert text.replace("'", "&#39;") in page
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))


def test_what_the_failed_coupons_showed_is_drawn_and_counted(swept):
    coupons = swept.picture.coupons
    failed = coupons[~coupons["passed"].eq(True)]
    view = practice_page(swept, who="Bo", day="today")
    told = {each.drawn.label: int(each.times.split()[0]) for each in view.seen}
    assert told == {symptom(k).label: int(n) for k, n in failed["symptom"].value_counts().items() if k}
    assert list(told.values()) == sorted(told.values(), reverse=True)
    page = practice_html(swept, who="Bo", day="today")
    assert page.count('class="symptom"') == len(told) > 0


def test_maps_name_every_mark_and_the_target_line(swept):
    for picture in practice_page(swept, who="Bo", day="today").pictures:
        for name in ("yours", "the plan's", "the best"):
            assert escape(name) in str(picture.svg)
        assert "°F" in str(picture.svg)
        assert escape(picture.caption) in str(picture.svg)  # as text for those who do not see it


def test_maps_follow_the_readers_unit(swept):
    picture = practice_page(swept, who="Bo", day="today", shown=Shown("degF")).pictures[0]
    assert "°F over °C" in str(picture.svg)


def test_chances_of_the_causes_are_drawn_and_the_true_one_is_marked():
    outcome = replay("fault", 3, ["settings", "hint", "= dust", "= ink", "= no_gap"]).outcome
    view = practice_page(outcome, who="Bo", day="today")
    (picture,) = view.pictures
    assert f"it was: {outcome.picture.true}" in str(picture.svg)
    assert view.settings == ()
    assert "Spent: 1 minute, 1 hint." in view.facts
    assert next(p.name for p in view.score_pairs) in ("found", "not found")


def test_a_map_says_what_it_shows_also_where_nothing_passes():
    assert map_finding(np.array([[0.2, 0.44]])) == "nowhere here do more than 44 of 100 prints pass"
    assert map_finding(np.array([[0.2, 0.96]])).startswith("95 of 100 prints or more pass in 50")


def test_a_reading_of_a_gauge_is_no_coupon_and_has_neither_its_cross_nor_its_circle():
    drawn = glance_chart(Glances("press_temp", (0.5, 4.0, -3.5), 3.0, "", None), Shown())
    assert [drawn.count(SHAPES[mark]) for mark in ("full", "open", "unknown", "pass")] == [2, 1, 0, 0]
