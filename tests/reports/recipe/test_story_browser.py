"""The story of a recipe in a real browser: nothing from the network, readable on a phone, printed with its footer."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

import pytest

from doe.domain.finding import Finding
from doe.domain.recipe import RecordItem
from doe.plans.compare import compare_plans
from doe.plans.judge import judge_plan
from doe.setpoint.alternatives import other_settings
from reports.recipe.story import RecipeStory, Reproduction, RoundFacts, recipe_story
from reports.study.inputs import HistoryRow
from tests.reports.recipe.samples import crowded, kept
from tests.reports.study.samples import MADE_AT, plan_of, samples
from tests.words.confirmation.test_verdict import attempt

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page_text() -> str:
    return story_page()


def story_page() -> str:
    """The story of an invented recipe with something of everything."""
    report = samples()["ready"]
    first = kept(superseded=True)
    second = kept(replace(crowded(), revision=2, why="new peel"))
    told = HistoryRow(
        MADE_AT, "ana", "Something happened with <b>signs</b> & a long sentence about it.", "because it did"
    )
    plan = plan_of()
    others = other_settings(report.study, report.surfaces, report.answer)
    return recipe_story(
        RecipeStory(
            revision=second,
            revisions=(first, second),
            report=report,
            judged_results=report.results.head(2),
            readings=(told,) * 3,
            earlier="20 coupons of the study a counted",
            rounds=(RoundFacts(1, "optimal plan", 3, 20, MADE_AT, "ana"),),
            plan=judge_plan(plan),
            plans=compare_plans(plan.study, coupons=20, seed=3),
            left_out=(),
            plan_notes=plan.notes,
            deviations=(told,),
            others=others,
            repeat=Reproduction("other", 0.0123, "0.1.0", "0.2.0"),
            attempts=(attempt("p" * 11, "pppp"),),
            items=(RecordItem("room", "missing", (Finding("nothing"),)),),
            comparisons=(told,),
            cases=(told,),
            on=date(2030, 6, 1),
        )
    )


def test_it_asks_nothing_of_the_network_and_fits_a_phone(browser: Browser, page_text: str):
    page = browser.new_page(viewport={"width": 390, "height": 900})
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.set_content(page_text)
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert [url for url in asked if not url.startswith(("data:", "about:"))] == []
    ids = page.evaluate("[...document.querySelectorAll('[id]')].map(e => e.id)")
    assert len(ids) == len(set(ids))
    targets = page.evaluate("[...document.querySelectorAll('nav a')].map(a => a.getAttribute('href').slice(1))")
    assert set(targets) <= set(ids)
    page.close()


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_it_prints_on_a_few_pages(browser: Browser, page_text: str, paper: str):
    page = browser.new_page()
    page.set_content(page_text)
    pdf = page.pdf(format=paper, print_background=True)
    page.close()
    assert 4 <= len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) <= 14


def test_texts_of_people_are_escaped(page_text: str):
    assert "<b>signs</b>" not in page_text
    assert "&lt;b&gt;signs&lt;/b&gt;" in page_text
