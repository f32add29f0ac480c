"""Stored pictures of key pages: a change of their look is seen, and meant.

Kept at an eighth of their size in grey, so that another version of the browser makes no difference. After a change
that is meant, look at the pages, then ``DOE_PICTURES=renew python -m pytest tests/reports/test_pictures.py``.
"""

from __future__ import annotations

import io
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image

from doe.office.pages import pages
from reports.pages import template_source
from tests.bench.shop import make_desk
from tests.reports.test_pages_axe import made

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from playwright.sync_api import Browser

pytestmark = pytest.mark.browser

FOLDER = Path(__file__).parent / "pictures"
SMALLER = 8
MOST = 3.0
"""Mean difference of grey, of 255: a line that wraps elsewhere is below it, a block that is gone or moved above."""

DESK, PHONE, PAPER = (1200, 900), (390, 844), (718, 1040)
SHOTS = {
    "report": ("report, ready", DESK, "screen"),
    "report-by-night": ("report, ready", DESK, "dark"),
    "report-phone": ("report, ready", PHONE, "screen"),
    "report-paper": ("report, ready", PAPER, "print"),
    "report-more-coupons": ("report, more coupons", DESK, "screen"),
    "card-paper": ("recipe card", PAPER, "print"),
    "people": ("people", DESK, "screen"),
    "confirmation": ("confirmation", DESK, "screen"),
    "comparison": ("comparison", DESK, "screen"),
    "map": ("platen map", DESK, "screen"),
}


def grey(browser: Browser, html: str, size: tuple[int, int], how: str) -> NDArray[np.float64]:
    """What is seen first of a page, small and grey, shape (height, width), 0 to 255."""
    page = browser.new_page(
        viewport={"width": size[0], "height": size[1]}, color_scheme="dark" if how == "dark" else "light"
    )
    page.set_content(html, wait_until="load")
    if how == "print":
        page.emulate_media(media="print")
    page.evaluate("document.fonts.ready")
    shot = Image.open(io.BytesIO(page.screenshot())).convert("L")
    page.close()
    small = shot.resize((size[0] // SMALLER, size[1] // SMALLER), Image.Resampling.BOX)
    return np.asarray(small, dtype=float)


def difference(name: str, seen: NDArray[np.float64]) -> float:
    """Mean difference to the stored picture."""
    with Image.open(FOLDER / f"{name}.png") as kept:
        stored = np.asarray(kept, dtype=float)
    assert stored.shape == seen.shape
    return float(np.abs(stored - seen).mean())


def renewed(name: str, seen: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same, stored anew where that is asked for."""
    if os.environ.get("DOE_PICTURES") == "renew":
        Image.fromarray(seen.astype(np.uint8)).save(FOLDER / f"{name}.png", optimize=True)
    return seen


@pytest.mark.parametrize("name", SHOTS)
def test_a_page_looks_as_it_is_stored(browser, name):
    page, size, how = SHOTS[name]
    assert difference(name, renewed(name, grey(browser, made(page), size, how))) < MOST


def test_the_first_page_of_the_day_looks_as_it_is_stored(browser, shop_with):
    desk = make_desk(shop_with(2).book, is_local=True, more_pages=pages)
    try:
        html = desk.device("ana").get("/").text
    finally:
        desk.bench.hints.close()
        desk.bench.shop.close()
    html = re.sub(
        r'<link rel="stylesheet" href="/static/(.*?)">', lambda m: f"<style>{template_source(m[1])}</style>", html
    )
    assert difference("today", renewed("today", grey(browser, html, DESK, "screen"))) < MOST


def test_a_page_that_lost_its_answer_or_its_styles_is_told_apart(browser):
    page, size, how = SHOTS["report"]
    html = made(page)
    for changed in (
        re.sub(r'<section id="answer".*?</section>', "", html, flags=re.DOTALL),
        html.replace("<style>", "<style>x{"),
    ):
        assert difference("report", grey(browser, changed, size, how)) > MOST


def test_stored_pictures_are_small_and_all_in_use():
    kept = {path.stem: path.stat().st_size for path in FOLDER.glob("*.png")}
    assert set(kept) == {*SHOTS, "today"}
    assert max(kept.values()) < 40_000
