"""Every page we print or send at the widths people read it: nothing runs off the side, by day, by night, on paper."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.axe_check import need_axe, violations
from tests.reports.test_pages import MAKERS, made

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

WIDTHS = (1440, 1024, 768, 720, 390, 320)
UNFOLD = "document.querySelectorAll('details').forEach(d => { d.open = true; })"
GROUND = "getComputedStyle(document.body).backgroundColor"
LAID_OUT = ("labels",)
"""Laid out for paper: their rows scroll in a box of their own."""


def opened(browser: Browser, name: str) -> Page:
    page = browser.new_page(viewport={"width": WIDTHS[0], "height": 900})
    page.set_content(made(name), wait_until="load")
    page.evaluate(UNFOLD)
    return page


@pytest.mark.parametrize("name", MAKERS)
def test_nothing_runs_off_the_side_and_no_table_is_cut_at_any_width(browser, name):
    page = opened(browser, name)
    found = {}
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        over = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        cut = page.evaluate(
            "[...document.querySelectorAll('.wide')].filter(e => e.scrollWidth > e.clientWidth + 1)"
            ".map(e => e.getAttribute('aria-label') + ' ' + (e.scrollWidth - e.clientWidth))"
        )
        if over > 0 or (cut and name not in LAID_OUT):
            found[width] = (over, cut)
    page.close()
    assert found == {}


BESIDE_ITS_HEADING = """[...document.querySelectorAll('.wide table:not(.run) td[data-label]')].flatMap(cell => {
  const box = cell.getBoundingClientRect();
  const first = box.left + 0.39 * box.width;
  return [...cell.querySelectorAll('.tap')].filter(tap => tap.getBoundingClientRect().left < first)
    .map(tap => cell.dataset.label + ': ' + cell.textContent); })"""
PARTED = """[...document.querySelectorAll('.tied')].filter(tied => {
  if (!tied.querySelector('.tap')) return tied.getClientRects().length > 1;  // the name of a coupon
  const tap = tied.querySelector('.tap').getBoundingClientRect(), middle = (tap.top + tap.bottom) / 2;
  return tap.width && [...tied.childNodes].filter(node => node.nodeType === 3).some(node => {
    const range = document.createRange();
    range.selectNodeContents(node);
    const box = range.getBoundingClientRect();
    return box.top > middle || box.bottom < middle; });
}).map(tied => tied.textContent)"""


@pytest.mark.parametrize("name", MAKERS)
def test_a_word_that_opens_stands_in_its_sentence_with_its_marks(browser, name):
    """A bracket does not end a line before a word that opens, and such a word is no cell of its own on a phone."""
    page = opened(browser, name)
    for width in (*range(320, 400, 7), 390):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate(BESIDE_ITS_HEADING) == [], width
        assert page.evaluate(PARTED) == [], width
    page.close()


@pytest.mark.parametrize("name", MAKERS)
def test_no_violation_by_day_and_by_night_wide_and_narrow(browser, name):
    need_axe()
    page = opened(browser, name)
    found = {}
    for scheme, widths in (("light", (1440, 390)), ("dark", (1440, 320))):
        page.emulate_media(color_scheme=scheme)
        for width in widths:
            page.set_viewport_size({"width": width, "height": 900})
            found[scheme, width] = violations(page)
    by_night = page.evaluate(GROUND)
    page.emulate_media(media="print")
    on_paper = page.evaluate(GROUND)
    page.close()
    assert not any(found.values()), found
    assert by_night == "rgb(20, 24, 26)"
    assert on_paper == "rgb(255, 255, 255)"


def test_a_cell_of_a_card_says_the_heading_of_its_column(browser):
    page = opened(browser, "comparison")
    page.set_viewport_size({"width": 390, "height": 900})
    said = page.evaluate(
        """[...document.querySelectorAll('.wide table')].map(t => [
             [...t.querySelectorAll('thead th')].map(h => h.textContent),
             [...t.querySelector('tbody tr').children].map(c => getComputedStyle(c, '::before').content.slice(1, -1)),
           ])"""
    )
    page.close()
    assert len(said) > 3
    for heads, labels in said:
        assert labels == heads


def test_a_bench_sheet_on_a_phone_says_each_setting_with_its_name_and_keeps_the_pen_on_paper(browser):
    page = opened(browser, "bench sheet")
    page.set_viewport_size({"width": 390, "height": 900})
    cards = page.locator(".run tbody tr").all()
    assert len(cards) > 20
    for card in cards:
        said = card.evaluate(
            "t => [...t.children].filter(c => c.offsetParent).map(c => getComputedStyle(c, '::before').content)"
        )
        assert said[:2] == ['"No."', '"Coupon"']
        assert len(said) > 2
        assert all(len(label) > 2 for label in said)
    assert page.locator(".run .batch-head .set").first.is_visible()
    page.emulate_media(media="print")
    assert page.locator(".run td.pen").first.is_visible()
    page.close()


def test_the_embedded_face_is_what_is_seen_and_its_figures_have_one_width(browser):
    page = opened(browser, "recipe card")
    page.evaluate("document.fonts.ready")
    seen = page.evaluate(
        "[...document.fonts].filter(f => f.status == 'loaded').map(f => f.family.replaceAll('\"', ''))"
    )
    widths = page.evaluate(
        """['400', '600'].flatMap(weight => ['Barlow', 'Barlow Semi Condensed'].map(family => {
             const pen = document.createElement('canvas').getContext('2d');
             pen.font = `${weight} 40px "${family}"`;
             return new Set([...'0123456789'].map(d => pen.measureText(d).width)).size;
           }))"""
    )
    page.close()
    assert set(seen) == {"Barlow", "Barlow Semi Condensed"}
    assert set(widths) == {1}


def test_the_faces_stay_light_and_their_licence_comes_along():
    templates = Path(__file__).parents[2] / "templates"
    assert (templates / "faces.css").stat().st_size < 60_000
    assert "SIL OPEN FONT LICENSE" in (templates / "faces-licence.txt").read_text(encoding="utf-8")
    for name in MAKERS:
        assert made(name).count("@font-face") == 3, name
