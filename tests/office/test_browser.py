"""The whole job in real Chromium: nothing runs off the side, no violation, light and dark, no request elsewhere."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.axe_check import need_axe, serious
from tests.bench.process import Running, running

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

RECIPE = "/recipe/fine%20powder%20on%20the%20heavy%20tee"
PAGES = (
    "/",
    "/study/1",
    "/study/2",
    "/begin",
    "/own-sheet",
    "/limits/1",
    "/lines",
    "/line/back%20room",
    RECIPE,
    f"{RECIPE}/compare",
    "/fails",
    "/fails/found?symptom=edge_lift_wash",
    "/s/2",
    "/more",
    "/class",
    "/people",
)


@pytest.fixture(scope="module")
def shop(demo_book: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    place = tmp_path_factory.mktemp("open") / "shop.sqlite"
    place.write_bytes(demo_book.read_bytes())
    with running(place, name="open") as started:
        yield started


def let_in(
    browser: Browser, shop: Running, width: int, height: int, scheme: str = "light", *, scripts: bool = True
) -> Page:
    context = browser.new_context(
        viewport={"width": width, "height": height}, color_scheme=scheme, java_script_enabled=scripts
    )
    page = context.new_page()
    page.goto(shop.address)
    page.fill("input[name=typed]", "Ana")
    page.get_by_role("button", name="Use this name").click()
    page.wait_for_url(f"{shop.address}/")
    return page


@pytest.mark.parametrize(("width", "height", "scheme"), [(320, 640, "light"), (390, 844, "dark"), (1440, 900, "light")])
def test_every_page_fits_and_has_no_serious_violation(browser, shop, width, height, scheme):
    need_axe()
    page = let_in(browser, shop, width, height, scheme)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    found = []
    for path in PAGES:
        page.goto(f"{shop.address}{path}")
        found += [f"{path}: {each}" for each in serious(page)]
        if page.evaluate("document.documentElement.scrollWidth") > width:
            found.append(f"{path} runs off the side")
        small = page.evaluate(
            """[...document.querySelectorAll('a, button, summary')].filter(e => {
                 const r = e.getBoundingClientRect();
                 return r.width && (r.width < 44 || r.height < 44);
               }).map(e => e.textContent.trim())"""
        )
        found += [f"{path}: {words!r} is too small to touch" for words in small]
    assert found == []
    assert [url for url in asked if not url.startswith((shop.address, "data:"))] == []
    page.context.close()


def test_a_study_is_begun_with_the_keyboard_alone_and_without_scripts(browser, shop):
    page = let_in(browser, shop, 1024, 768, scripts=False)
    page.goto(f"{shop.address}/begin")
    page.locator("input[name=stack_chosen]").first.focus()
    page.keyboard.press("Space")
    page.locator("button.main").first.focus()
    page.keyboard.press("Enter")
    page.get_by_text("Screen 2 of 3").wait_for()
    page.locator("button.main").first.focus()
    page.keyboard.press("Enter")
    page.get_by_text("Screen 3 of 3").wait_for()
    page.locator("input[name=name]").focus()
    page.keyboard.type("by keyboard")
    page.keyboard.press("Enter")
    page.get_by_text("Limits of the data sheets are missing").wait_for()
    page.context.close()


def test_pages_answer_quickly(browser, shop):
    page = let_in(browser, shop, 390, 844)
    took = []
    for path in PAGES:
        page.goto(f"{shop.address}{path}")
        took.append(
            page.evaluate(
                "(() => { const n = performance.getEntriesByType('navigation')[0];"
                " return n.responseEnd - n.requestStart; })()"
            )
        )
    took.sort()
    # wanted are 100 ms on an idle machine; this one may be busy
    assert took[round(0.95 * len(took)) - 1] < 1000, took
    page.context.close()
