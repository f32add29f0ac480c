"""Words in names that people gave are theirs: a line called "back room" is no word of ours."""

from __future__ import annotations

import inspect
import re
from dataclasses import replace
from datetime import date

import pytest

from doe.bench.views import Frame
from doe.domain.stack import Machine, Material
from reports.comparison.page import comparison_report
from reports.confirmation.page import confirmation_page
from reports.names import given_names
from reports.pages import render
from reports.recipe.card import recipe_card
from reports.study.page import study_report
from reports.taps import with_taps
from tests.reports.comparison import test_page as test_comparison_page
from tests.reports.recipe.samples import kept
from tests.reports.study.samples import LINE, MADE_AT, STACK, bench_sheet, label_sheets, make_study, plan_of, samples
from tests.words.confirmation import test_verdict as test_confirmation_words

ROOM = "back window, setpoint side"
STACK_NAMED = "coupon plan - 5 & study <stack>"
STUDY = "the setpoint of Ana's recipe"
LINE_NAMED = replace(LINE, name=ROOM, oven=Machine("corner oven", 10, 15), gauge="target gauge")
NAMED = replace(STACK, name=STACK_NAMED, film=Material("matt film", "Window & Recipe", "batch 7"))
GIVEN = (ROOM, STACK_NAMED, STUDY, "corner oven", "target gauge", "Window & Recipe", "batch 7")
STUDY_NAMED = replace(make_study(), name=STUDY)


def taps(page: str) -> list[tuple[str, str]]:
    """Every word that opens on a tap, and what stands around it."""
    plain = re.sub(r"<(style|script|svg)\b.*?</\1>", " ", page, flags=re.DOTALL)
    marked = re.sub(r'<button type="button" class="tap"[^>]*>([^<]*)</button>', "\x01\\1\x02", plain)
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", marked)).replace("\u2212", "-")
    return [(m[1], text[max(0, m.start() - 60) : m.end() + 60]) for m in re.finditer("\x01([^\x02]*)\x02", text)]


PAGES = {
    "report": lambda: study_report(replace(samples()["ready"], study=STUDY_NAMED, stack=NAMED, line=LINE_NAMED)),
    "bench sheet": lambda: bench_sheet(STUDY_NAMED, NAMED, LINE_NAMED, plan_of().coupons, made_at=MADE_AT),
    "labels": lambda: label_sheets(
        STUDY_NAMED, plan_of().coupons, grid="a4", made_at=MADE_AT, round_number=1, study_id=3, link="http://x.example"
    ),
    "recipe card": lambda: recipe_card(
        replace(kept(), recipe=replace(kept().recipe, name=STUDY, stack=NAMED, line=LINE_NAMED)), date(2030, 6, 1)
    ),
    "confirmation": lambda: confirmation_page(
        test_confirmation_words.facts(test_confirmation_words.attempt("ppppfppp")), NAMED, LINE_NAMED, made_at=MADE_AT
    ),
    "comparison": lambda: comparison_report(replace(test_comparison_page.report(), line=LINE_NAMED)),
}


@pytest.mark.parametrize("name", PAGES)
def test_no_word_in_a_name_opens_an_explanation(name):
    page = PAGES[name]()
    found = taps(page)
    assert found
    shown = 0
    for given in GIVEN:
        shown += given in re.sub(r"\s+", " ", page).replace("&amp;", "&").replace("&#39;", "'").replace("\u2212", "-")
        for word, around in found:
            plain = around.replace("\x01", "").replace("\x02", "").replace("&amp;", "&").replace("&#39;", "'")
            for place in re.finditer(re.escape(given), plain):
                first = around.index("\x01")
                assert not place.start() <= first < place.end(), (word, around)
    assert shown


def test_a_name_is_no_word_and_the_same_word_beside_it_is_one():
    page = "<body><p>A window of back window, and Window 5 &amp; co.</p></body>"
    names = ("back window", "window 5 & co")
    assert [word for word, _ in taps(with_taps(page, names))] == ["window"]
    assert "back window" in with_taps(page, names)
    assert [word for word, _ in taps(with_taps("<body><p>In back window alone</p></body>", names))] == []
    assert [word for word, _ in taps(with_taps("<body><p>In back\u00a0Windows</p></body>", names))] == ["Windows"]


def test_names_are_found_in_whatever_holds_them():
    report = samples()["ready"]
    assert {STACK.name, LINE.name, "swing press", "Example Knits", "K-204"} <= set(given_names(report))
    own = {factor.label for factor in report.study.factors} | {check.label for check in report.study.spec.checks}
    assert own.isdisjoint(given_names(report))
    assert given_names({"line": "back room", "code": "window"}) == ("back room",)


def test_no_page_can_be_made_without_saying_which_names_are_on_it():
    assert inspect.signature(render).parameters["names"].default is inspect.Parameter.empty
    assert inspect.signature(Frame).parameters["names"].default is inspect.Parameter.empty


def test_marks_stay_with_the_word_that_opens():
    page = with_taps("<body><p>so (coupon) and &#34;setpoint&#34;, a window&nbsp;here, the stack’s. Recipe</p></body>")
    tied = re.findall(r'<span class="tied">(.*?)<button[^>]*>([^<]*)</button>(.*?)</span>', page)
    assert tied == [("(", "coupon", ")"), ("&#34;", "setpoint", "&#34;,"), ("", "stack", "’s")]
    assert re.sub("<[^>]*>", "", page) == "so (coupon) and &#34;setpoint&#34;, a window&nbsp;here, the stack’s. Recipe"
