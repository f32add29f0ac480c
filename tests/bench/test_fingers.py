"""The page at the press under fingers in gloves: everything tappable is 12 mm, on phones upright and lying."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.bench.process import running

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

LEAST = 46
"""12 mm in CSS pixels (45.4), rounded up."""
SIZES = ((320, 640), (390, 664), (390, 844), (844, 390), (1024, 768))
PAGES = (
    "/",
    "/s/1",
    "/c/1/R1-01",
    "/c/1/R1-15",
    "/wash/1",
    "/list/1",
    "/hint/1",
    "/more",
    "/name",
    "/undo/1/R1-01",
    "/wrong/1/R1-02",
    "/practice",
    "/practice/tune",
    "/class",
)

SMALL = """least => {
  const taps = 'a, button:not(.tap), summary, select, textarea,'
    + ' input:not([type=hidden]):not([type=radio]):not([type=checkbox]),'
    + ' label:has(input[type=radio], input[type=checkbox])';
  return [...document.querySelectorAll(taps)].map(e => [e, e.getBoundingClientRect()])
    .filter(([e, r]) => r.width && r.height && (r.width < least - 0.01 || r.height < least - 0.01))
    .map(([e, r]) => `${e.textContent.trim().slice(0, 30)} ${Math.round(r.width)}x${Math.round(r.height)}`);
}"""
_COVERED = """() => {
  const found = [];
  for (const e of document.querySelectorAll('main a, main button, main summary, main input[type=text], textarea')) {
    if (!e.getClientRects().length) continue;
    e.scrollIntoView({ block: 'center', behavior: 'instant' });
    const r = e.getBoundingClientRect(), hit = document.elementFromPoint(r.x + r.width / 2, r.y + r.height / 2);
    if (r.right > innerWidth + 1 || r.left < -1 || !hit || !(e.contains(hit) || hit.contains(e)))
      found.push(`${e.tagName} ${e.textContent.trim().slice(0, 40)}`);
  }
  return found;
}"""
_OVERLAP = """() => {
  const ways = [...document.querySelectorAll('.top nav a')].map(e => [e, e.getBoundingClientRect()]);
  return ways.filter(([e, r], i) => e.scrollWidth > e.clientWidth + 1 || r.right > innerWidth
    || (i + 1 < ways.length && r.right > ways[i + 1][1].left + 0.5 && r.top < ways[i + 1][1].bottom
        && ways[i + 1][1].top < r.bottom)).map(([e]) => e.textContent.trim());
}"""
_CLOCK = """() => [...document.querySelectorAll('.timer.runs b, #running a')].some(e => {
  const r = e.getBoundingClientRect();
  return r.height && r.top >= 0 && r.bottom <= innerHeight;
})"""


@pytest.fixture(scope="module")
def press(ready_books: dict[int | None, Path], tmp_path_factory: pytest.TempPathFactory, browser: Browser):
    """A page over a round of which six coupons are scored, and a device on it."""
    place = tmp_path_factory.mktemp("fingers") / "shop.sqlite"
    place.write_bytes(Path(ready_books[6]).read_bytes())
    with running(place) as shop:
        page = browser.new_page(has_touch=True)
        page.set_default_timeout(20_000)
        page.goto(shop.address)
        page.fill("input[name=typed]", "Ana")
        page.get_by_role("button", name="Use this name").click()
        page.wait_for_url(f"{shop.address}/")
        yield page, shop.address
        page.close()


def at_every_size(page: Page, check: Callable[[str], list[str]]) -> list[str]:
    found = []
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        found += check(f"{width} x {height}")
    return found


@pytest.mark.parametrize("path", PAGES)
def test_everything_tappable_is_twelve_millimetres_and_is_reached(press, path):
    page, address = press
    page.goto(f"{address}{path}")
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")

    def check(size: str) -> list[str]:
        found = [f"{size}: {each} is small" for each in page.evaluate(SMALL, LEAST)]
        found += [f"{size}: {each} is covered or off the side" for each in page.evaluate(_COVERED)]
        if page.evaluate("document.documentElement.scrollWidth") > page.viewport_size["width"]:
            found.append(f"{size}: runs off the side")
        return found

    assert at_every_size(page, check) == []


def test_a_countdown_is_seen_wherever_one_is_upright_and_lying(press):
    page, address = press
    page.goto(f"{address}/s/1")
    page.set_viewport_size({"width": 390, "height": 664})
    page.locator("button.timer").first.click()

    def check(size: str) -> list[str]:
        unseen = []
        for path in ("/s/1", "/c/1/R1-15", "/list/1"):
            page.goto(f"{address}{path}")
            for down in (0, 0.5, 1):
                page.evaluate("d => scrollTo(0, d * document.documentElement.scrollHeight)", down)
                page.wait_for_timeout(300)
                if not page.evaluate(_CLOCK):
                    unseen.append(f"{size}: none on {path} at {down}")
        return unseen

    try:
        assert at_every_size(page, check) == []
        page.set_viewport_size({"width": 844, "height": 390})
        page.goto(f"{address}/c/1/R1-15")
        page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
        assert page.evaluate(_COVERED) == []
    finally:
        page.evaluate("localStorage.clear()")


@pytest.mark.parametrize("whole", [False, True])
def test_no_way_to_another_page_lies_half_under_the_next(press, whole):
    page, address = press
    for width in (320, 344, 360, 390):
        page.set_viewport_size({"width": width, "height": 664})
        page.goto(f"{address}/s/1")
        if whole:  # as where the whole job is done on it
            page.evaluate("[...document.querySelectorAll('.top nav a')].at(-1).textContent = 'The study'")
        assert page.evaluate(_OVERLAP) == [], width
