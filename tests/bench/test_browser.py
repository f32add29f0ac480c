"""The page in a real browser, on a phone and on a tablet, with and without scripts, as it is used at a press."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from PIL import Image

from doe.book.book import Book
from reports.drawing.qr import qr_modules
from tests.bench.process import Running, running
from tests.bench.shop import STUDY

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

pytestmark = pytest.mark.browser

PHONE, TABLET = (390, 844), (1024, 768)
PAGES = ("/", "/s/1", "/c/1/R1-01", "/c/1/R1-15", "/wash/1", "/list/1", "/hint/1", "/more", "/undo/1/R1-01", "/nowhere")


@pytest.fixture
def bench(book_with: Callable[[int | None], Path]) -> Iterator[tuple[Running, Path]]:
    """A page of its own process over a planned round without scores."""
    path = book_with(0)
    with running(path) as page:
        yield page, path


@pytest.fixture
def device(browser: Browser, bench: tuple[Running, Path]) -> Iterator[Callable[..., Page]]:
    """New devices with a name on them; no script of theirs may fail, and no policy be offended."""
    contexts: list[BrowserContext] = []
    failed: list[str] = []

    def make(who: str, *, size: tuple[int, int] = PHONE, scripts: bool = True) -> Page:
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, java_script_enabled=scripts, has_touch=True
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(20_000)
        page.on("pageerror", lambda error: failed.append(str(error)))
        page.on("console", lambda m: failed.append(m.text) if "Content Security" in m.text else None)
        page.goto(bench[0].address)
        page.fill("input[name=typed]", who)
        page.get_by_role("button", name="Use this name").click()
        page.wait_for_url(f"{bench[0].address}/")
        return page

    yield make
    for context in contexts:
        context.close()
    assert failed == []


def results(path: Path) -> Any:
    with Book.open(path, who="test") as book:
        return book.results(STUDY).set_index("coupon")


def history(path: Path, coupon: str) -> list[tuple[str, object, str, str]]:
    with Book.open(path, who="test") as book:
        return [(h.field, h.value, h.who, h.why) for h in book.history(STUDY, coupon)]


def choose(page: Page, field: str, value: str) -> None:
    """Tap a large button of the form."""
    page.locator(f'label.pick:has(input[name="{field}"][value="{value}"])').first.click()


def save(page: Page) -> None:
    page.get_by_role("button", name="Save", exact=True).click()


@pytest.mark.parametrize("size", [PHONE, TABLET])
@pytest.mark.parametrize("scripts", [True, False])
def test_a_coupon_is_cured_pressed_and_scored_in_a_few_taps(device, bench, size, scripts):
    running_page, path = bench
    page = device("ana", size=size, scripts=scripts)
    page.get_by_text("new powder on the heavy tee").first.click()
    page.wait_for_url("**/s/1")
    first = page.locator(".card .id a").first.inner_text()
    page.get_by_role("button", name="Cured").click()
    page.wait_for_load_state()
    page.wait_for_function(
        "t => document.querySelector('.card .id a').textContent !== t", arg=first
    ) if scripts else None
    assert page.locator(".card .id a").first.inner_text() != first
    pressed = page.locator(".card").last.locator(".id a").inner_text()
    page.get_by_role("button", name="Pressed, score it").click()
    page.wait_for_url(f"**/c/1/{pressed}*")
    assert page.get_by_text("Noted as pressed.").is_visible()
    # four taps: both checks, the hand, save
    choose(page, "check:release", "pass")
    choose(page, "check:stretch", "pass")
    choose(page, "hand", "4.5")
    save(page)
    page.wait_for_url("**/s/1?saved=*")
    assert page.get_by_text(f"{pressed} is stored.").is_visible()
    row = results(path).loc[pressed]
    assert row["passed"] is True
    assert row["hand_ana"] == 4.5
    # a failed one with its symptom
    page.goto(f"{running_page.address}/c/1/R1-07")
    choose(page, "check:release", "fail")
    choose(page, "symptom", "film_lock")
    save(page)
    page.wait_for_url("**/s/1?saved=*")
    row = results(path).loc["R1-07"]
    assert (row["passed"], row["symptom"], row["side"]) == (False, "film_lock", "over")


@pytest.mark.parametrize("size", [PHONE, TABLET])
@pytest.mark.parametrize("scripts", [True, False])
def test_every_page_fits_its_screen_and_can_be_touched(device, bench, size, scripts):
    page = device("ana", size=size, scripts=scripts)
    for path in PAGES:
        page.goto(bench[0].address + path)
        for fold in page.locator("summary").all():
            if fold.is_visible() and not scripts:
                fold.click()
        # a box counts with the label or summary it is tapped by; links and words inside a sentence do not
        small = """() => [...document.querySelectorAll('a, button:not(.tap), input, textarea, summary')]
            .filter(e => e.type !== 'hidden' && e.checkVisibility())
            .map(e => e.closest('label.pick, summary') || e)
            .map(e => [e.getBoundingClientRect(), e.outerHTML.slice(0, 90)])
            .filter(([r]) => r.width > 0 && (r.height < 47.5 || r.width < 47.5)).map(([, html]) => html)"""
        wide = "() => document.documentElement.scrollWidth"
        if scripts:
            page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        assert page.evaluate(small) == [], path
        assert page.evaluate(wide) <= size[0], path
        assert page.locator("h1").count() == 1
        assert page.locator("text=Burns at a touch").count() >= 1


def test_text_has_contrast_enough_and_is_large_enough(device, bench):
    page = device("ana")
    for path in ("/s/1", "/c/1/R1-01", "/hint/1"):
        page.goto(bench[0].address + path)
        worst = page.evaluate(
            """(() => {
                 const rgb = c => (c.match(/[\\d.]+/g) || []).map(Number);
                 const linear = v => v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
                 const light = c => { const [r, g, b] = rgb(c).map(v => linear(v / 255));
                   return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
                 const ground = e => { while (e) { const c = getComputedStyle(e).backgroundColor;
                   if (rgb(c).length === 3) return c; e = e.parentElement; } return 'rgb(255,255,255)'; };
                 return Math.min(...[...document.querySelectorAll('p,li,dt,dd,h1,h2,legend,span,b,small,a,button')]
                   .filter(e => e.textContent.trim() && e.checkVisibility()).map(e => {
                   const a = light(getComputedStyle(e).color), b = light(ground(e));
                   return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05); }));
               })()"""
        )
        assert worst >= 7, path
    page.goto(f"{bench[0].address}/s/1")
    size = page.evaluate("parseFloat(getComputedStyle(document.querySelector('.set dd b')).fontSize)")
    assert size >= 32  # read at arm's length beside a hot press


def test_the_form_can_be_filled_with_a_keyboard(device, bench):
    page = device("ana", size=TABLET)
    page.goto(f"{bench[0].address}/c/1/R1-05")
    page.locator('input[name="check:release"][value="pass"]').focus()
    page.keyboard.press("ArrowRight")
    assert page.locator('input[name="check:release"][value="fail"]').is_checked()
    outline = page.evaluate(
        "getComputedStyle(document.querySelector('input[name=\"check:release\"][value=fail] + span')).outlineStyle"
    )
    assert outline == "solid"
    page.keyboard.press("Enter")
    page.wait_for_url("**/s/1?saved=R1-05")
    assert results(bench[1]).loc["R1-05", "passed"] is False


def over(page: Page, key: str) -> None:
    """Half a minute later."""
    page.evaluate(
        """key => { const one = JSON.parse(localStorage.getItem('bench:timer:' + key));
        one.end = Date.now() - 4000; localStorage.setItem('bench:timer:' + key, JSON.stringify(one)); }""",
        key,
    )


def rings(page: Page, times: int) -> None:
    """Wait until it rang so often on this page."""
    for _ in range(40):
        if page.evaluate("window.rings") >= times:
            return
        page.wait_for_timeout(200)
    raise AssertionError(f"rang {page.evaluate('window.rings')} times")


def test_a_countdown_goes_on_across_pages_and_rings_until_it_is_cleared(device, bench):
    page = device("ana")
    page.add_init_script(
        "window.rings = 0; const make = AudioContext.prototype.createOscillator;"
        "AudioContext.prototype.createOscillator = function () { window.rings += 1; return make.call(this); };"
    )
    page.goto(f"{bench[0].address}/s/1")
    timer = page.locator("button.timer", has_text="wait before peel")
    assert "tap to start" in timer.inner_text()
    assert "30 s" in timer.inner_text()
    timer.click()
    page.wait_for_selector("button.timer.runs")
    # one tap asks, and stops nothing
    page.locator("button.timer.runs").click()
    assert "Tap again to stop it" in page.locator("button.timer.runs").inner_text()
    page.goto(f"{bench[0].address}/list/1")
    page.wait_for_selector("#running a")
    assert "wait before peel" in page.locator("#running a").inner_text()
    assert "wait before peel" in page.title()
    page.locator("#running a").click()
    page.wait_for_url("**/s/1")
    left = int(re.search(r"(\d+) s", page.locator("button.timer.runs").inner_text())[1])
    assert 15 <= left <= 30
    key = page.locator("button.timer.runs").get_attribute("data-timer")
    over(page, key)
    page.wait_for_selector("button.timer.over")
    assert "is over" in page.locator("button.timer.over").inner_text()
    rings(page, 2)
    page.goto(f"{bench[0].address}/list/1")
    rings(page, 1)
    assert "is over" in page.locator("#running a").inner_text()
    page.goto(f"{bench[0].address}/s/1")
    page.locator("button.timer.over").click()
    assert page.locator("button.timer.over").count() == 0
    assert page.locator("#running").is_hidden()


def test_two_taps_stop_a_countdown(device, bench):
    page = device("ana")
    page.goto(f"{bench[0].address}/s/1")
    page.locator("button.timer", has_text="wait before peel").click()
    page.locator("button.timer.runs").click()
    page.locator("button.timer.runs").click()
    assert page.locator("button.timer.runs").count() == 0


def test_a_step_is_not_noted_over_a_running_countdown_without_asking_and_can_be_taken_back(device, bench):
    page = device("ana")
    page.goto(f"{bench[0].address}/s/1")
    card = page.locator(".card").first
    card.locator("button.timer").first.click()
    card.locator("button.main").click()
    page.get_by_text("The countdown still runs").wait_for()
    assert "marked" not in page.url
    card.locator("button.main").click()
    page.wait_for_url("**/s/1?marked=*")
    said = page.locator("p.said")
    assert "is noted as cured" in said.inner_text()
    said.get_by_role("link", name="Take it back").click()
    page.wait_for_url("**/undo/1/*")
    assert page.locator("#running").is_hidden()  # its countdown ended with it


def test_without_scripts_the_waits_are_stated(device, bench):
    page = device("ana", scripts=False)
    page.goto(f"{bench[0].address}/s/1")
    assert page.locator("button.timer").count() == 0
    assert "30 s" in page.locator(".timer", has_text="wait before peel").inner_text()


def test_two_devices_at_once_see_each_other_and_ask_before_they_correct(device, bench):
    address, path = bench[0].address, bench[1]
    ana, ben = device("ana", size=TABLET), device("ben")
    for page in (ana, ben):
        page.goto(f"{address}/c/1/R1-09")
    choose(ana, "check:release", "pass")
    choose(ana, "hand", "4")
    choose(ben, "check:release", "fail")
    choose(ben, "hand", "3")
    save(ana)
    ana.wait_for_url("**/s/1?saved=R1-09")
    save(ben)
    ben.get_by_text("R1-09: which is right?").wait_for()
    assert ben.get_by_text("Keep what is stored: pass, by ana").is_visible()
    assert ben.get_by_text("Correct it to mine: fail").is_visible()
    choose(ben, "on:check:release", "mine")
    choose(ben, "reason", "looked again")
    save(ben)
    ben.wait_for_url("**/s/1?saved=R1-09")
    row = results(path).loc["R1-09"]
    assert (row["passed"], row["hand_ana"], row["hand_ben"]) == (False, 4.0, 3.0)
    assert ("check:release", False, "ben", "looked again") in history(path, "R1-09")
    # what one device cures, the other no longer shows, without anybody touching it
    ana.goto(f"{address}/s/1")
    ben.goto(f"{address}/s/1")
    first = ana.locator(".card .id a").first.inner_text()
    ana.get_by_role("button", name="Cured").click()
    ana.wait_for_function("t => document.querySelector('.card .id a').textContent !== t", arg=first)
    ben.locator(".card .id a").first.filter(has_not_text=first).wait_for()


def test_a_lost_connection_loses_nothing_and_sends_once(device, bench):
    address, path = bench[0].address, bench[1]
    page = device("ana")
    page.goto(f"{address}/c/1/R1-11")
    choose(page, "check:release", "pass")
    page.context.set_offline(True)
    choose(page, "hand", "3.5")
    page.fill("textarea", "typed without a connection")
    save(page)
    page.get_by_text("No connection. 1 entry is kept on this device").wait_for()
    assert history(path, "R1-11") == []
    assert page.locator('input[name="hand"][value="3.5"]').is_checked()
    page.context.set_offline(False)
    page.wait_for_url("**/s/1?saved=R1-11")  # sent by itself
    assert sorted(h[0] for h in history(path, "R1-11")) == ["check:release", "hand:ana", "note"]
    assert page.evaluate("Object.keys(localStorage).filter(k => k.startsWith('bench:form:'))") == []
    page.goto(f"{address}/c/1/R1-11")
    assert page.locator("#line").is_hidden()


def test_what_waits_to_be_sent_is_seen_everywhere_and_sent_in_order(device, bench):
    address, path = bench[0].address, bench[1]
    page = device("ana")
    page.goto(f"{address}/s/1")
    page.evaluate("navigator.serviceWorker.ready")  # then a page that was looked at is there without a connection
    page.goto(f"{address}/s/1")
    page.goto(f"{address}/c/1/R1-12")
    page.goto(f"{address}/c/1/R1-11")
    page.context.set_offline(True)
    choose(page, "check:release", "pass")
    save(page)
    page.get_by_text("1 entry is kept").wait_for()
    page.goto(f"{address}/c/1/R1-12")
    page.get_by_text("1 entry is kept").wait_for()
    choose(page, "check:release", "fail")
    save(page)
    page.get_by_text("2 entries are kept").wait_for()
    page.goto(f"{address}/s/1")
    page.locator(".card button.main").first.click()
    page.get_by_text("3 entries are kept").wait_for()
    page.context.set_offline(False)
    page.wait_for_url("**/s/1?marked=*")
    assert [h[0] for h in history(path, "R1-11")] == ["check:release"]
    assert [h[0] for h in history(path, "R1-12")] == ["check:release"]
    page.goto(f"{address}/list/1")
    assert page.locator("#line").is_hidden()
    assert page.evaluate("localStorage.getItem('bench:outbox')") == "[]"


def photos_of(path: Path) -> list[tuple[str, str, str]]:
    with Book.open(path, who="test") as book:
        return [(p.coupon, p.face, p.who) for p in book.photos(STUDY)]


def keep_photo(page: Page, image: bytes, face: str = "print") -> None:
    """Choose a photo of a face, and tap the button."""
    page.set_input_files("input[type=file]", {"name": "x.jpg", "mimeType": "image/jpeg", "buffer": image})
    choose(page, "face", face)
    page.get_by_role("button", name="Keep the photo").click()


def outbox(page: Page) -> list[int]:
    """Entries that wait in the list of this device, and photos that lie in its database."""
    return page.evaluate(
        """new Promise(done => { const open = indexedDB.open('bench', 1);
        open.onupgradeneeded = () => open.result.createObjectStore('photos');
        open.onsuccess = () => { const all = open.result.transaction('photos').objectStore('photos').count();
          all.onsuccess = () => { open.result.close();
            done([JSON.parse(localStorage.getItem('bench:outbox') || '[]').length, all.result]); }; }; })"""
    )


def test_photos_wait_with_the_scores_and_are_sent_once_in_their_order(device, bench):
    address, path = bench[0].address, bench[1]
    page = device("ana")
    page.goto(f"{address}/s/1")
    page.evaluate("navigator.serviceWorker.ready")
    page.goto(f"{address}/s/1")
    page.goto(f"{address}/c/1/R1-11")
    sent: list[str] = []
    page.on("request", lambda r: sent.append(r.url.removeprefix(address)) if r.method == "POST" else None)
    page.context.set_offline(True)
    keep_photo(page, photo((900, 700)))
    page.get_by_text("1 entry is kept").wait_for()
    choose(page, "check:release", "pass")
    save(page)
    page.get_by_text("2 entries are kept").wait_for()
    keep_photo(page, photo((700, 900)), "back")
    page.get_by_text("3 entries are kept").wait_for()
    page.goto(f"{address}/s/1")  # another page shows them, and a page opened anew still has the photos
    page.get_by_text("3 entries are kept").wait_for()
    assert (outbox(page), photos_of(path), history(path, "R1-11")) == ([3, 2], [], [])
    sent.clear()
    page.context.set_offline(False)
    page.get_by_text("Sent: everything").wait_for()
    assert sent == ["/photo/1/R1-11", "/score/1/R1-11", "/photo/1/R1-11"]
    assert photos_of(path) == [("R1-11", "print", "ana"), ("R1-11", "back", "ana")]
    assert [h[0] for h in history(path, "R1-11")] == ["check:release"]
    assert outbox(page) == [0, 0]


def test_what_was_typed_comes_back_after_the_page_was_closed(device, bench):
    page = device("ana")
    page.goto(f"{bench[0].address}/c/1/R1-11")
    choose(page, "check:stretch", "fail")
    choose(page, "symptom", "stretch_crack")
    page.fill("textarea", "half done")
    page.goto("about:blank")
    page.goto(f"{bench[0].address}/c/1/R1-11")
    page.get_by_text("Not stored yet: what was typed at").wait_for()
    assert page.locator("textarea").input_value() == "half done"
    assert page.locator('input[name="symptom"][value="stretch_crack"]').is_checked()
    page.get_by_role("button", name="Throw it away").click()
    assert page.locator("textarea").input_value() == ""
    assert not page.locator('input[name="symptom"][value="stretch_crack"]').is_checked()
    page.reload()
    assert page.locator("#line").is_hidden()


def test_a_program_started_anew_loses_no_typed_score(browser, book_with):
    path = book_with(0)
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    with running(path) as first:
        port = first.address.rpartition(":")[2]
        page.goto(first.address)
        page.fill("input[name=typed]", "ana")
        page.get_by_role("button", name="Use this name").click()
        page.wait_for_url(f"{first.address}/")
        page.goto(f"{first.address}/c/1/R1-11")
        choose(page, "check:release", "pass")
        page.fill("textarea", "before the restart")
        first.stop()
    with running(path, "--port", port, "--forget") as again:
        save(page)
        page.get_by_text("This device is not let in, or not any more").wait_for()
        page.goto(f"{again.address}/c/1/R1-11")
        page.fill("input[name=typed]", "ana")
        page.get_by_role("button", name="Use this name").click()
        page.get_by_text("Not stored yet").wait_for()
        save(page)
        page.wait_for_url("**/s/1?saved=R1-11")
    context.close()
    assert ("note", "before the restart", "ana", "") in history(path, "R1-11")


@pytest.mark.parametrize("scripts", [True, False])
def test_a_grade_is_one_tap_in_one_row_that_fits_a_phone(device, bench, scripts):
    with Book.open(bench[1], who="test") as book:
        book.amend_study(1, replace(book.study(1).study, grades=True), "graded")
    page = device("ana", scripts=scripts)
    page.goto(f"{bench[0].address}/c/1/R1-11")
    taps = [tap.bounding_box() for tap in page.locator(".grades-row label").all()]
    assert len(taps) == 5
    assert len({round(tap["y"]) for tap in taps}) == 1
    assert all(tap["x"] >= 0 and tap["x"] + tap["width"] <= PHONE[0] for tap in taps)
    choose(page, "check:release", "pass")
    choose(page, "grade", "clean")
    choose(page, "grade", "just")  # another tap takes the first one back
    page.get_by_role("button", name="Save", exact=True).click()
    page.wait_for_url("**/s/1?saved=R1-11")
    assert results(bench[1]).loc["R1-11", "grade"] == "just"


def test_a_second_tap_on_save_is_no_second_score(device, bench):
    page = device("ana")
    page.goto(f"{bench[0].address}/c/1/R1-11")
    choose(page, "hand", "4")
    page.get_by_role("button", name="Save", exact=True).dblclick()
    page.wait_for_url("**/s/1?saved=R1-11")
    assert len(history(bench[1], "R1-11")) == 1


def test_the_code_of_a_label_leads_to_the_form_of_its_coupon(browser, book_with):
    from zxingcpp import read_barcodes

    with running(book_with(0), "--host", "0.0.0.0") as bench:
        port = bench.address.rpartition(":")[2]
        label = f"http://127.0.0.1:{port}/c/1/R1-05"
        import numpy as np

        modules = np.array(qr_modules(label), dtype=np.uint8)
        drawn = np.kron(np.pad(1 - modules, 4, constant_values=1) * 255, np.ones((6, 6), dtype=np.uint8))
        (read,) = read_barcodes(drawn)
        context = browser.new_context(viewport={"width": 390, "height": 844})
        page = context.new_page()
        page.goto(read.text)  # a phone that was never here
        assert "/pair?next=" in page.url
        page.fill("input[name=code]", str(bench.facts["pairing_code"]))
        page.get_by_role("button", name="Let this device in").click()
        page.fill("input[name=typed]", "cleo")
        page.get_by_role("button", name="Use this name").click()
        page.wait_for_url(label)
        assert page.locator("h1").inner_text() == "R1-05"
        assert page.locator("form.score").count() == 1
        context.close()


def photo(size: tuple[int, int]) -> bytes:
    made = io.BytesIO()
    Image.new("RGB", size, "red").save(made, "JPEG")
    return made.getvalue()


@pytest.mark.parametrize("scripts", [True, False])
def test_photos_are_taken_large_ones_too_and_fakes_are_refused(device, bench, scripts):
    page = device("ana", scripts=scripts)
    page.goto(f"{bench[0].address}/c/1/R1-05")
    large = photo((7300, 5500))
    name = "<img src=x onerror=alert(1)>.jpg"
    page.set_input_files("input[type=file]", {"name": name, "mimeType": "image/jpeg", "buffer": large})
    page.get_by_role("button", name="Keep the photo").click()
    page.wait_for_url("**/c/1/R1-05?done=photo")
    picture = page.locator(".photos img")
    assert picture.count() == 1
    if scripts:
        picture.scroll_into_view_if_needed()
        page.wait_for_function("() => document.querySelector('.photos img').naturalWidth === 1600")
    fake = {"name": "x.jpg", "mimeType": "image/jpeg", "buffer": b"<html><script>alert(1)</script>"}
    page.set_input_files("input[type=file]", fake)
    page.get_by_role("button", name="Keep the photo").click()
    page.get_by_text("a file that is no photo").wait_for()
    with Book.open(bench[1], who="test") as book:
        assert [(p.face, p.who) for p in book.photos(STUDY)] == [("print", "ana")]


def test_scripts_typed_into_every_field_never_run(device, bench):
    nasty = "<script>window.hit=1</script><img src=x onerror='window.hit=1'>\"'>"
    page = device("<svg onload=window.hit=1>")
    hit: list[str] = []
    page.on("dialog", lambda dialog: (hit.append(dialog.message), dialog.dismiss()))
    page.goto(f"{bench[0].address}/c/1/R1-05")
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    page.fill("textarea", nasty)
    page.fill("input[name=other_person]", "<b onclick=hit()>x</b>")
    choose(page, "hand", "3")
    choose(page, "check:release", "fail")
    save(page)
    page.wait_for_url("**/s/1?saved=R1-05")
    page.goto(f"{bench[0].address}/c/1/R1-06")
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    page.fill("input[name=void]", nasty)
    save(page)
    page.wait_for_url("**/s/1?saved=R1-06")
    page.goto(f"{bench[0].address}/c/1/R1-05")
    choose(page, "check:release", "pass")
    save(page)
    page.get_by_text("which is right?").wait_for()
    page.fill("input[name=why]", nasty)
    choose(page, "on:check:release", "mine")
    save(page)
    page.wait_for_url("**/s/1?saved=R1-05")
    for path in (
        "/",
        "/s/1",
        "/c/1/R1-05",
        "/c/1/R1-06",
        "/undo/1/R1-05",
        "/undo/1/R1-06",
        "/list/1",
        "/name",
        "/more",
    ):
        page.goto(bench[0].address + path)
        assert page.evaluate("window.hit") is None, path
        assert page.locator("main script, main img[src='x'], main svg[onload]").count() == 0
    assert hit == []
    stored = {h[0]: h[1] for h in history(bench[1], "R1-05")}
    assert stored["note"] == nasty  # it is kept as it was typed


def test_another_page_can_neither_frame_this_one_nor_post_to_it(browser, bench, device):
    device("ana")
    address = bench[0].address
    context = browser.contexts[-1]
    page = context.new_page()
    page.route(
        "http://evil.example/*",
        lambda route: route.fulfill(
            content_type="text/html",
            body=f"<iframe src='{address}/s/1'></iframe><form method=post action='{address}/score/1/R1-05'>"
            "<input name='check:release' value='pass'><button>go</button></form>",
        ),
    )
    page.goto("http://evil.example/")
    page.wait_for_timeout(500)
    framed = next(f for f in page.frames if f != page.main_frame)
    assert "new powder" not in framed.content()
    page.get_by_role("button", name="go").click()
    page.get_by_text("Forms are taken only from pages of this address.").wait_for()
    assert history(bench[1], "R1-05") == []
