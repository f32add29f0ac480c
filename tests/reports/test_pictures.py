"""Stored pictures of every page, a picture a page with all its looks side by side: a change is seen, and meant.

Each look is what is seen first at one width, by day, by night or on paper, kept at an eighth of its size in grey, so
that another version of the browser makes no difference. After a change that is meant, look at the pages, then
``DOE_PICTURES=renew python -m pytest tests/reports/test_pictures.py``.
"""

from __future__ import annotations

import io
import os
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image

from doe.acts.study.fits import recommend_study
from doe.book.book import Book
from doe.office.pages import pages
from reports.pages import template_source
from tests.bench.shop import Device, make_book, make_desk
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


def looks_of(browser: Browser, html: str, at: str = "") -> NDArray[np.float64]:
    """All looks of a page side by side; ``at`` is what stands at the top of each, the page's own top when left out."""
    page = browser.new_page(viewport={"width": LOOKS[0][1], "height": HIGH})
    page.set_content(html, wait_until="load")
    page.evaluate("document.fonts.ready")
    looks = []
    for _, width, scheme, medium in LOOKS:
        page.set_viewport_size({"width": width, "height": HIGH})
        page.emulate_media(media=medium, color_scheme=scheme)  # type: ignore[arg-type]
        if at:
            page.locator(at).evaluate("e => e.scrollIntoView({ behavior: 'instant' })")
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


DESKS = {
    "today": ("answered", "/", ""),
    "study": ("answered", "/study/1", ""),
    "study-drawn": ("answered", "/study/1", "#drawn"),
    "plan": ("asked", "/study/1", "section.next"),
    "press": ("begun", "/s/1", ""),
    "diagnosis": ("asked", "/fails/found?symptom=edge_lift_wash&recipe=none&set_cure_temp=118", ""),
}
"""Pages of the whole job by the names of their pictures: the book, the address, what stands at the top."""


@pytest.fixture(scope="module")
def desks(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Device]]:
    """A device on pages over each of three books: a question, a round under way, two rounds with their answer."""
    folder, made = tmp_path_factory.mktemp("desks"), {}
    for name, more in (("asked", {"rounds": 0}), ("begun", {"scored": 6}), ("answered", {"rounds": 2})):
        place = make_book(folder / f"{name}.sqlite", **more)
        if name == "answered":
            with Book.open(place, who="ana") as book:
                recommend_study(book, 1)
        made[name] = make_desk(place, is_local=True, more_pages=pages)
    yield {name: desk.device("ana") for name, desk in made.items()}
    for desk in made.values():
        desk.bench.close()
        desk.bench.shop.close()


def whole(device: Device, path: str) -> str:
    """A page with what is worked out beside it, and its styles in itself."""
    for _ in range(600):
        html = device.get(path).text
        if "data-there" not in html and "data-fill" not in html:
            break
        time.sleep(0.1)
    return re.sub(
        r'<link rel="stylesheet" href="/static/(.*?)">', lambda m: f"<style>{template_source(m[1])}</style>", html
    )


@pytest.mark.parametrize("name", DESKS)
def test_a_page_of_the_whole_job_looks_as_it_is_stored(browser, desks, name):
    book, path, at = DESKS[name]
    seen = renewed(name, looks_of(browser, whole(desks[book], path), at))
    assert changed(differences(name, seen)) == []


def test_a_page_that_lost_its_answer_or_its_styles_is_told_apart_at_every_width(browser):
    html = made("report, ready")
    for broken in (
        re.sub(r'<section id="answer".*?</section>', "", html, flags=re.DOTALL),
        html.replace("<style>", "<style>x{"),
    ):
        assert len(changed(differences(file_of("report, ready"), looks_of(browser, broken)))) == len(LOOKS)


def test_stored_pictures_are_small_and_all_in_use():
    kept = {path.stem: path.stat().st_size for path in FOLDER.glob("*.png")}
    assert set(kept) == {*map(file_of, MAKERS), *DESKS}
    assert sum(kept.values()) < 400_000
    assert max(kept.values()) < 40_000


def file_of(name: str) -> str:
    return name.replace(", ", "-").replace(" ", "-")
