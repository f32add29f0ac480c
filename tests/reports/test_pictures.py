"""Stored pictures of every page, a picture a page with all its looks side by side: a change is seen, and meant.

Each look is what is seen first at one width, by day, by night or on paper, kept at an eighth of its size in grey, so
that another version of the browser makes no difference. After a change that is meant, look at the pages, then
``DOE_PICTURES=renew python -m pytest tests/reports/test_pictures.py``.
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
from tests.reports.test_pages import MAKERS, made

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

FOLDER = Path(__file__).parent / "pictures"
SMALLER = 8
MOST = 3.0
"""Mean difference of grey, of 255: a line that wraps elsewhere is below it, a block that is gone or moved above."""

HIGH = 904
LOOKS = (
    ("wide", 1440, "light", "screen"),
    ("wide by night", 1440, "dark", "screen"),
    ("desk", 1024, "light", "screen"),
    ("tablet", 768, "light", "screen"),
    ("wide at 200 %", 720, "light", "screen"),
    ("phone", 392, "light", "screen"),
    ("narrow phone", 320, "light", "screen"),
    ("paper", 720, "light", "print"),
)
"""Name, width in CSS pixels, scheme, medium; widths are whole eighths."""


def seen_first(page: Page) -> NDArray[np.float64]:
    """What is seen first, small and grey, shape (height, width), 0 to 255."""
    shot = Image.open(io.BytesIO(page.screenshot())).convert("L")
    small = shot.resize((shot.width // SMALLER, shot.height // SMALLER), Image.Resampling.BOX)
    return np.asarray(small, dtype=float)


def looks_of(browser: Browser, html: str) -> NDArray[np.float64]:
    """All looks of a page side by side."""
    page = browser.new_page(viewport={"width": LOOKS[0][1], "height": HIGH})
    page.set_content(html, wait_until="load")
    page.evaluate("document.fonts.ready")
    looks = []
    for _, width, scheme, medium in LOOKS:
        page.set_viewport_size({"width": width, "height": HIGH})
        page.emulate_media(media=medium, color_scheme=scheme)  # type: ignore[arg-type]
        looks.append(seen_first(page))
    page.close()
    return np.hstack(looks)


def differences(name: str, seen: NDArray[np.float64]) -> dict[str, float]:
    """Mean difference of each look to the stored one."""
    with Image.open(FOLDER / f"{name}.png") as kept:
        stored = np.asarray(kept, dtype=float)
    assert stored.shape == seen.shape
    ends = np.cumsum([width // SMALLER for _, width, _, _ in LOOKS])[:-1]
    apart = (np.abs(part).mean() for part in np.split(stored - seen, ends, axis=1))
    return {look[0]: float(apart) for look, apart in zip(LOOKS, apart, strict=True)}


def renewed(name: str, seen: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same, stored anew where that is asked for."""
    if os.environ.get("DOE_PICTURES") == "renew":
        Image.fromarray(seen.astype(np.uint8)).save(FOLDER / f"{name}.png", optimize=True)
    return seen


def changed(found: dict[str, float]) -> list[str]:
    return [f"{look}: {apart:.1f}" for look, apart in found.items() if apart >= MOST]


@pytest.mark.parametrize("name", MAKERS)
def test_a_page_looks_as_it_is_stored(browser, name):
    seen = renewed(file_of(name), looks_of(browser, made(name)))
    assert changed(differences(file_of(name), seen)) == []


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
    assert changed(differences("today", renewed("today", looks_of(browser, html)))) == []


def test_a_page_that_lost_its_answer_or_its_styles_is_told_apart_at_every_width(browser):
    html = made("report, ready")
    for broken in (
        re.sub(r'<section id="answer".*?</section>', "", html, flags=re.DOTALL),
        html.replace("<style>", "<style>x{"),
    ):
        assert len(changed(differences(file_of("report, ready"), looks_of(browser, broken)))) == len(LOOKS)


def test_stored_pictures_are_small_and_all_in_use():
    kept = {path.stem: path.stat().st_size for path in FOLDER.glob("*.png")}
    assert set(kept) == {*map(file_of, MAKERS), "today"}
    assert max(kept.values()) < 40_000


def file_of(name: str) -> str:
    return name.replace(", ", "-").replace(" ", "-")
