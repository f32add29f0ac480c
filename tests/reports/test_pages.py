"""Every page we print or send: no request to anybody, every word of ours explained on a tap."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from functools import cache
from html import unescape

import numpy as np
import pandas as pd
import pytest

from doe.assure.gauges.platen import judge_map
from doe.assure.people.agreement import judge_hand_agreement, judge_pass_agreement
from doe.domain.finding import Finding
from doe.words.glossary import explain, words_in
from reports.comparison.page import comparison_report
from reports.confirmation.page import confirmation_page
from reports.gauges.map import platen_view
from reports.pages import render
from reports.people import people_page
from reports.practice import practice_page
from reports.recipe.card import recipe_card
from reports.study.page import study_report
from tests.practice.replay import replay
from tests.reports.comparison import test_page as test_comparison_page
from tests.reports.gauges import test_map as test_platen_page
from tests.reports.recipe import test_story_browser as test_recipe_story_browser
from tests.reports.recipe.samples import kept
from tests.reports.study.samples import LINE, MADE_AT, STACK, bench_sheet, label_sheets, make_study, plan_of, samples
from tests.words.confirmation import test_verdict as test_confirmation_words

pytestmark = pytest.mark.browser


def _labels() -> str:
    return label_sheets(
        make_study(), plan_of().coupons, grid="a4", made_at=MADE_AT, round_number=1, study_id=3, link="http://x.example"
    )


def _practice() -> str:
    outcome = replay("fault", 3, ["settings", "hint", "= dust", "= ink", "= no_gap"]).outcome
    assert outcome is not None
    return render("practice.html", practice_page(outcome, who="Bo", day="2030-01-02"), names=())


def _people() -> str:
    rng = np.random.default_rng(5)
    names = [f"R1-{i:02d}" for i in range(1, 21)]
    truth = rng.random(20) < 0.7
    judged = pd.DataFrame({who: np.where(rng.random(20) < 0.1, ~truth, truth) for who in ("Ana", "Ben")}, names)
    hand = pd.DataFrame({who: np.round(2 * (3.5 + rng.normal(0, 0.5, 20))) / 2 for who in ("Ana", "Ben")}, names)
    page = people_page(
        make_study(),
        judged,
        judge_pass_agreement(judged),
        judge_hand_agreement(hand.clip(1, 5)),
        (),
        again=("R1-03", "R1-07"),
        missing=(Finding("repeats unknown"),),
        made_at=MADE_AT,
        made_by="Ana",
    )
    return render("people.html", page, names=())


MAKERS: dict[str, Callable[[], str]] = {
    "bench sheet": lambda: bench_sheet(
        make_study(), STACK, LINE, plan_of().coupons, made_at=MADE_AT, people=("Ana", "Ben")
    ),
    "labels": _labels,
    "report, ready": lambda: study_report(samples()["ready"]),
    "report, more coupons": lambda: study_report(samples()["more coupons"]),
    "report, six factors": lambda: study_report(samples()["six factors"]),
    "practice": _practice,
    "platen map": lambda: render(
        "platen.html",
        platen_view(
            test_platen_page.page_of(
                judge_map(test_platen_page.readings(dict.fromkeys(test_platen_page.PLACES, -4.0) | {"left": -12.0}))
            ),
            made_at=MADE_AT,
        ),
        names=(),
    ),
    "recipe card": lambda: recipe_card(kept(), date(2030, 6, 1)),
    "comparison": lambda: comparison_report(test_comparison_page.report()),
    "recipe story": test_recipe_story_browser.story_page,
    "people": _people,
    "confirmation": lambda: confirmation_page(
        test_confirmation_words.facts(test_confirmation_words.attempt("ppppfppp")), STACK, LINE, made_at=MADE_AT
    ),
}


@cache
def made(name: str) -> str:
    return MAKERS[name]()


@pytest.mark.parametrize("name", MAKERS)
def test_no_page_asks_for_anything(browser, name):
    page = browser.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.set_content(made(name), wait_until="networkidle")
    page.close()
    assert [url for url in asked if not url.startswith(("data:", "about:"))] == []


@pytest.mark.parametrize("name", MAKERS)
def test_each_word_of_a_page_opens_on_a_tap(browser, name):
    """Without scripts; what is folded away may use other words."""
    page = browser.new_page(java_script_enabled=False, viewport={"width": 390, "height": 844})
    page.set_content(made(name))
    shown = page.locator("body").inner_text()  # what is folded away is not in it
    fold = page.locator("details.words")
    for above in fold.locator("xpath=ancestor::details").all():
        above.locator("> summary").click()
    fold.locator("> summary").click()
    there = [text.lower() for text in fold.locator("li").all_inner_texts()]
    words = words_in(shown)
    assert {word.name.lower() for word in words} <= set(there)
    fold.locator("button").last.click()
    assert page.locator(".meaning:visible").count() == 1
    page.keyboard.press("Escape")
    first = page.locator("main button.tap:visible").first
    word = explain(first.inner_text())
    first.click()
    assert word.text in page.locator(".meaning:visible").inner_text().replace("\u00a0", " ")
    page.emulate_media(media="print")
    assert not fold.is_visible()
    page.close()


RUNNING = re.compile(r"(?s)<(p|li|dd)\b[^>]*>(.*?)</\1>")
"""Text that is read as sentences."""
STILL = re.compile(
    r'(?s)<(section|p|details|ul) class="(?:caution|hot|before|words)\b.*?</\1>|'
    r'<(style|script|svg|head|nav|th)\b.*?</\2>|<div class="meaning".*?</div>'
)


def parts(page: str) -> list[str]:
    """Sections of a page: what begins with a heading of the second level, a section, or a fold."""
    return re.split(r"<(?=section\b|details\b|main\b|footer\b|h2\b)", STILL.sub(" ", page))


@pytest.mark.parametrize("name", MAKERS)
def test_the_first_use_of_a_word_in_a_section_is_a_button(name):
    held = 0
    for part in parts(made(name)):
        taps = [explain(unescape(word)).name for word in re.findall(r'class="tap"[^>]*>([^<]*)<', part)]
        assert len(set(taps)) == len(taps)
        for _, text in RUNNING.findall(part):
            read = re.sub(r"<(a|label|button type=.submit.|code|b class|small)\b.*?</\1>|<[^>]+>", " ", text)
            words = {word.name for word in words_in(read)}
            held += len(words)
            assert words <= set(taps), text
    assert held > 3
    for place in re.findall(r'popovertarget="([^"]*)"', made(name)):
        assert f'id="{place}" popover>' in made(name)
