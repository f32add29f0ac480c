"""The whole job in real Chromium: nothing runs off the side, no violation, light and dark, no request elsewhere."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from doe.acts.confirmation.plan import ClaimWishes, plan_confirmation
from doe.book.book import Book
from tests.axe_check import need_axe, violations
from tests.bench.process import Running, running
from tests.bench.test_fingers import LEAST, SMALL
from tests.cli.test_own_sheet import odd_sheet

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


WORKED_OUT = "() => !document.querySelector('[data-there], [data-fill]')"


@pytest.fixture(scope="module")
def shop(made_demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """The demo's shop, with a confirmation under way and a reading that counts."""
    place = tmp_path_factory.mktemp("open") / "shop.sqlite"
    place.write_bytes(made_demo.read_bytes())
    with Book.open(place, who="ana") as book:
        plan_confirmation(book, 1, ClaimWishes(claims=(0.9,), assurance=0.95))
    with running(place, name="open") as started:
        yield started


def let_in(
    browser: Browser, shop: Running, width: int, height: int, scheme: str = "light", *, scripts: bool = True
) -> Page:
    context = browser.new_context(
        viewport={"width": width, "height": height}, color_scheme=scheme, java_script_enabled=scripts
    )
    page = context.new_page()
    page.set_default_timeout(60_000)
    page.goto(shop.address)
    page.fill("input[name=typed]", "Ana")
    page.get_by_role("button", name="Use this name").click()
    page.wait_for_url(f"{shop.address}/")
    return page


LOOKS = ((390, 844, "light"), (390, 844, "dark"), (640, 400, "light"), (320, 640, "light"), (768, 1024, "dark"))
"""A phone by day and at night, a desktop at 200 %, a small phone, a tablet."""
WIDE = (1440, 900)


CUT = """() => [...document.querySelectorAll('main a, main button:not(.tap), summary, label, legend')]
  .filter(e => e.getClientRects().length && getComputedStyle(e).display !== 'inline')
  .filter(e => e.scrollWidth > e.clientWidth + 1)
  .map(e => e.textContent.trim().slice(0, 40))"""
"""Words that run out of what is tapped."""


def looked_at(page: Page, name: str) -> list[str]:
    """What is wrong with a page as it stands, every fold open: by axe-core, or running off the side."""
    found, small = [], dict[str, None]()
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    for number, (width, height, scheme) in enumerate(LOOKS):
        page.set_viewport_size({"width": width, "height": height})
        page.emulate_media(color_scheme=scheme)
        # at night only colours differ; other widths only move things
        rules = ((), ("color-contrast",), ("target-size",), ("target-size",), ())[number]
        found += [f"{name}, {width} {scheme}: {each}" for each in violations(page, *rules)]
        if page.evaluate("document.documentElement.scrollWidth") > width:
            found.append(f"{name} runs off the side at {width}")
        small |= dict.fromkeys(f"{each} is small" for each in page.evaluate(SMALL, LEAST))
        small |= dict.fromkeys(f"{each} is cut" for each in page.evaluate(CUT))
    found += [f"{name}: {each}" for each in small]
    page.set_viewport_size({"width": WIDE[0], "height": WIDE[1]})
    page.emulate_media(color_scheme="light")
    if page.evaluate("document.documentElement.scrollWidth") > WIDE[0]:
        found.append(f"{name} runs off the side at {WIDE[0]}")
    return found


def test_every_page_fits_and_has_no_violation(browser, shop, capsys):
    need_axe()
    began = time.monotonic()
    page = let_in(browser, shop, *WIDE)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    found = []
    for path in PAGES:
        page.goto(f"{shop.address}{path}")
        page.wait_for_function(WORKED_OUT)
        found += looked_at(page, path)
    assert found == []
    assert [url for url in asked if not url.startswith((shop.address, "data:"))] == []
    page.context.close()
    with capsys.disabled():
        print(f"\n{len(PAGES)} pages looked at, {time.monotonic() - began:.0f} s")


def send(page: Page, action: str, **fields: str) -> None:
    """Fill in the form that goes to an address, and send it as a keyboard does."""
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    form = page.locator(f'form[action="{action}"]').first
    for name, text in fields.items():
        at = form.locator(f'[name="{name}"]').first
        if at.get_attribute("type") in ("radio", "checkbox"):
            form.locator(f'[name="{name}"][value="{text}"]').check(force=True)
        elif at.evaluate("e => e.tagName") == "SELECT":
            at.select_option(text)
        else:
            at.fill(text)
    with page.expect_navigation():
        form.locator("button").last.click()


def test_pages_in_the_middle_of_walks_have_no_violation(browser, shop, tmp_path, capsys):
    """Forms with errors, a comparison, a confirmation under way, a diagnosis, an exercise, a sheet of one's own."""
    need_axe()
    began, found, names = time.monotonic(), [], []
    page = let_in(browser, shop, *WIDE)

    def look(name: str, *, words: str = "") -> None:
        assert words in page.inner_text("body"), (name, page.inner_text("body")[:2000])
        names.append(name)
        found.extend(looked_at(page, name))

    def at(path: str) -> None:
        page.goto(f"{shop.address}{path}")
        page.wait_for_function(WORKED_OUT)

    at("/begin")
    send(page, "/begin-materials", stack_chosen="new", fabric="tee", film="", powder="p", powder_melting="hot")
    look("materials with errors", words="Melting range")
    send(page, "/begin-materials", stack_chosen="new", film="f", powder_melting="", stack_name="tee and p")
    send(page, "/begin-machines", line_chosen="new", line_name="")
    look("machines with an error", words="Name of the line: found")
    send(page, "/begin-machines", line_chosen="back room")
    send(page, "/begin-limits", film_max="999", oven_max_source="")
    look("limits with errors before the question", words="found")
    send(page, "/begin-limits", film_max="175", film_max_source="sheet", oven_max_source="sheet")
    send(page, "/begin-question", name="", cure_temp="hot..140", pass_rate="200", discount="7")
    look("a question with errors", words="What is being tuned, in a few words: found")
    at("/begin?known=yes")
    send(page, "/begin-materials", stack_chosen="tee and p")
    send(page, "/begin-machines", line_chosen="back room")
    send(page, "/begin-question", name="known", press_temp="205", source="")
    look("known settings with an error", words="found")
    at("/limits/1")
    send(page, "/limits/1", film_max="999", oven_max_source="")
    look("limits with errors", words="found")
    at("/own-sheet")
    sheet = tmp_path / "old tries.csv"
    sheet.write_text(odd_sheet(), encoding="utf-8")
    page.set_input_files("input[type=file]", sheet)
    with page.expect_navigation():
        page.locator('form[action="/own-sheet"] button:not(.tap)').first.click()
    look("columns of a sheet", words="25 rows under 9 headings")
    send(page, "/own-columns", people="Ana")
    look("columns with errors", words="Choose what it means")
    at(f"{RECIPE}/compare")
    send(page, f"{RECIPE}/offer", powder="another powder", powder_lot="P-09", way="staged")
    look("what a comparison costs", words="Begin it")
    send(page, f"{RECIPE}/begin", powder_max="180")
    look("a comparison with errors", words="Say on which sheet it stands")
    sources = {"powder_max_source": "sheet", "min_cure_time": "60", "min_cure_time_source": "sheet"}
    send(page, f"{RECIPE}/begin", **sources)
    look("a comparison at the press")
    at(f"/study/{page.url.rpartition('/')[2]}")
    look("a comparison under way")
    at("/study/1")
    look("a confirmation under way", words="Give this confirmation up")
    at("/confirm/1")
    send(page, "/confirm/1")
    look("giving it up with an error", words="Say why it is given up")
    at("/fails")
    with page.expect_navigation():
        page.locator("form.asked button.main").first.click()
    look("nothing chosen", words="Tap what the print looks like")
    at("/fails/found?symptom=edge_lift_wash&symptom=grainy_back&recipe=none&set_cure_temp=118")
    for step in ("a check", "another check"):
        with page.expect_navigation():
            page.locator(".outcomes a").first.click()
        look(f"a diagnosis after {step}", words="Found so far")
    send(page, "/fails/kept", cause="none")
    at("/fails")
    look("open cases", words="Cases not closed yet")
    for exercise in ("tune", "fault", "blank", "lot", "report", "chart", "compare"):
        at(f"/practice/{exercise}")
        look(f"the exercise {exercise}, not begun")
        with page.expect_navigation():
            page.locator(f'form[action="/practice/{exercise}"] button').first.click()
        look(f"the exercise {exercise} in play")
    at("/line/back%20room")
    send(page, "/line/back%20room", display="x", measured="")
    look("a reading with an error", words="found")
    send(page, "/certificate/back%20room", number="", issuer="x", until="soon")
    look("a certificate with an error", words="found")
    at("/people")
    send(page, "/people", name="Ana", right="scores", code="1234")
    look("people with an error", words="found")
    at(RECIPE)
    send(page, f"{RECIPE}/day", prints="1", failed="2")
    look("a first article with an error", words="found")
    at("/study/1")
    send(page, "/put-away/1", put_away_why="")
    look("putting away without a reason", words="found")
    assert found == []
    page.context.close()
    with capsys.disabled():
        print(f"\n{len(names)} pages in the middle of walks looked at, {time.monotonic() - began:.0f} s")


def test_a_study_is_begun_with_the_keyboard_alone_and_without_scripts(browser, shop):
    page = let_in(browser, shop, 1024, 768, scripts=False)
    page.goto(f"{shop.address}/begin")
    page.locator("input[name=stack_chosen]").first.focus()
    page.keyboard.press("Space")
    page.locator("button.main").first.focus()
    page.keyboard.press("Enter")
    for number in (2, 3):
        page.get_by_text(f"Screen {number} of 4").wait_for()
        page.locator("button.main").first.focus()
        page.keyboard.press("Enter")
    page.get_by_text("Screen 4 of 4").wait_for()
    page.locator("input[name=name]").focus()
    page.keyboard.type("by keyboard")
    page.keyboard.press("Enter")
    page.get_by_text("How many coupons").first.wait_for()
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


def test_grades_are_asked_for_with_a_plan_and_without_scripts(browser, shop_with):
    need_axe()
    with running(shop_with(0).book, name="open") as started:
        page = let_in(browser, started, *WIDE)
        page.goto(f"{started.address}/study/1")
        page.locator("select[name=grades]").wait_for()  # what plans cost is worked out beside the pages
        assert looked_at(page, "the choice of a plan") == []
        page.context.close()
        page = let_in(browser, started, 390, 844, scripts=False)
        page.goto(f"{started.address}/study/1")
        page.select_option("select[name=grades]", "yes")
        page.get_by_role("button", name="Make this plan").click()
        page.goto(f"{started.address}/c/1/R1-01")
        assert page.locator("input[name=grade]").count() > 1
        page.context.close()
