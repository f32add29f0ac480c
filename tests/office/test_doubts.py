"""What made a person stop on the way: nothing is asked before its time, and every page leads to the others."""

from __future__ import annotations

import re

import pytest

from tests.office.test_own_sheet import MACHINES, MATERIALS
from tests.office.walk import Walk

FIVE = ["/", "/begin", "/lines", "/practice", "/more"]


@pytest.mark.parametrize("path", ["/", "/begin", "/lines", "/fails", "/practice", "/practice/tune", "/class", "/more"])
def test_every_page_of_the_whole_job_leads_to_the_same_five(office_over, path):
    text = office_over().device("ana").get(path).text
    nav = re.search(r"<nav.*?</nav>", text, flags=re.DOTALL)
    assert nav is not None
    assert re.findall(r'href="([^"]*)"', nav[0]) == FIVE
    assert "Bench page" not in text


def test_an_exercise_says_what_it_is_before_it_begins(office_over):
    assert "Questions about an invented line" in office_over().device("ana").get("/practice/tune").text


def at_the_question(walk: Walk) -> None:
    walk.go("/begin")
    walk.send("/begin-materials", **MATERIALS)
    walk.send("/begin-machines", **MACHINES)
    walk.send("/begin-limits")


def test_further_settings_wait_behind_a_fold_until_one_is_wanted(office_over):
    walk = Walk(office_over().device("ana"))
    at_the_question(walk)
    fold = r"<details( open)?>\s*<summary>Further settings"
    assert re.search(fold, walk.page.text)[1] is None
    assert walk.page.text.index('name="assurance"') < walk.page.text.index('name="belt_speed"')
    walk.send("/begin-question", expect=422, belt_speed="fast")
    assert re.search(fold, walk.page.text)[1] == " open"
    assert 'value="fast"' in walk.page.text
    assert "Belt speed, m/min: found" in walk.page.text


def test_washes_are_asked_about_once_coupons_are_planned(office_over, shop_with):
    walk = Walk(office_over(shop_with(0).book).device("ana"))
    walk.go("/study/1")
    assert "/conditions/1" not in walk.page.text
    walk.send("/plan/1")
    walk.go("/study/1")
    assert "/conditions/1" in walk.page.text
