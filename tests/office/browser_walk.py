"""The person of `tests.office.walk` in a real browser: the same verbs, by tapping what is seen or by keys alone."""

from __future__ import annotations

import contextlib
import re
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote, urlsplit

import uvicorn

from doe.bench.serve import listen, settings_of
from doe.office.pages import pages
from tests.bench.shop import PageUnderTest, make_desk
from tests.office.walk import SENT, Walk
from tests.shared import untapped

with contextlib.suppress(ImportError):  # without it no test here runs
    from playwright.sync_api import Error as PlaywrightError

if TYPE_CHECKING:
    from playwright.sync_api import Browser, ElementHandle, Locator, Page

PHONE, TABLET, DESKTOP = (390, 844), (820, 1180), (1280, 800)
WAYS = ("/", "/practice")
"""Pages of the navigation on which a person looks for a link that the page at hand has not."""
MOST_TABS = 400
FEW = 2
"""Coupons of a round that are scored in the browser where a second device scores the others."""

_AT = """e => {
  for (let d = e.closest('details'); d; d = d.parentElement.closest('details'))
    if (!d.open && !d.querySelector(':scope > summary').contains(e)) return 'folded';
  e.scrollIntoView({ block: 'center', behavior: 'instant' });
  const r = e.getBoundingClientRect(), x = r.x + r.width / 2, y = r.y + r.height / 2;
  const hit = document.elementFromPoint(x, y);
  const free = r.width && hit && (e.contains(hit) || hit.contains(e));
  return free ? [x, y] : 'covered by ' + (hit && hit.outerHTML.slice(0, 200));
}"""
_IS_THERE = "() => document.readyState !== 'loading' && !document.querySelector('[data-there], [data-fill]')"
_IS_HERE = "() => document.readyState !== 'loading' && !document.querySelector('[data-there]')"
_FOLD = """e => {
  let d = e;
  for (let up = d.closest('details:not([open])'); up; up = up.parentElement.closest('details:not([open])')) d = up;
  return d.querySelector('summary');
}"""


@contextlib.contextmanager
def served(place: Path) -> Iterator[tuple[PageUnderTest, str]]:
    """The whole job over a book, answered by a thread of this process, which finds fits that were made before.

    Nothing may have gone wrong in it at the end.
    """
    taken = listen("127.0.0.1", 0)
    office = make_desk(place, is_local=True, more_pages=pages)
    server = uvicorn.Server(settings_of(office.bench, taken))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [taken.socket]}, daemon=True)
    thread.start()
    try:
        yield office, taken.links[0]
    finally:
        server.should_exit = True
        thread.join(30)
        taken.socket.close()
        office.bench.close()
        office.bench.shop.close()
    assert office.errors == []


@dataclass(frozen=True)
class Seen:
    """A page as the browser has it now: its ``text`` with every mark."""

    text: str


class BrowserWalk:
    """A person at a browser, with the verbs of `tests.office.walk.Walk`; counts the taps in the same way.

    Parameters
    ----------
    browser : Browser
    address : str
        Where the pages are.
    who : str
        The name that is chosen first.
    size : tuple of int
        Of the window.
    by_keys : bool
        Whether everything is done with Tab, arrows, Space and Enter, and no mouse.
    scripts : bool
        Whether the browser runs scripts of pages.
    helper : Walk, optional
        A second device of the same person, without scripts, on which most coupons of a round are scored.
    """

    def __init__(
        self,
        browser: Browser,
        address: str,
        who: str,
        *,
        size: tuple[int, int],
        by_keys: bool = False,
        scripts: bool = True,
        helper: Walk | None = None,
    ) -> None:
        context = browser.new_context(viewport={"width": size[0], "height": size[1]}, java_script_enabled=scripts)
        self.screen: Page = context.new_page()
        self.screen.set_default_timeout(60_000)
        self.failed: list[str] = []
        self.screen.on("pageerror", lambda error: self.failed.append(str(error)))
        self.screen.on("console", lambda m: self.failed.append(m.text) if "Content Security" in m.text else None)
        self.by_keys, self.scripts, self.helper, self.taps = by_keys, scripts, helper, 0
        self.screen.goto(f"{address}/")
        form = self.screen.locator('form[action="/name"]:has(input[name=typed])')
        self._type(form.locator("input[name=typed]"), who)
        self._leave_by(form.locator("button").element_handle())

    # the verbs

    @property
    def page(self) -> Seen:
        """The page that is open."""
        return self._seen

    def tap(self, text: str) -> None:
        """Follow a link by its words."""
        link = self.screen.locator("a", has_text=re.compile(re.escape(text))).first
        assert link.count(), f"no link {text!r} on {self.screen.url}: {self.screen.inner_text('body')[:3000]}"
        self.taps += 1
        self._leave_by(link.element_handle())

    def go(self, path: str) -> None:
        """Get to a page by the links of this one, or of one that its navigation leads to."""
        self.taps += 1
        self._find(path)

    def at(self, scored: int) -> BrowserWalk | Walk:
        """Where the next coupon is scored after so many of its round."""
        return self if self.helper is None or scored < FEW else self.helper

    def coupon(self, study: int, coupon: str) -> None:
        """Open a coupon where coupons are scored: from the list of all."""
        if not self._has(f"/c/{study}/{coupon}"):
            self._find(f"/list/{study}")
        self._find(f"/c/{study}/{coupon}")

    def send(self, action: str, *, expect: int = 200, files: Any = None, **fields: str) -> None:
        """Change some fields of a form as it stands, and send it with its button."""
        form = self.screen.locator(f'form[action="{action}"]').first
        assert form.count(), f"no form to {action} on {self.screen.url}: {self.screen.inner_text('body')[:3000]}"
        button = form.locator("button:not([type=button])").last
        for name, (file, data) in (files or {}).items():
            chosen = {"name": file, "mimeType": "text/csv", "buffer": data.encode()}
            form.locator(f'input[name="{name}"]').set_input_files(chosen)
        for name, text in fields.items():
            if (own := form.locator(f'button[name="{name}"][value="{text}"]')).count():
                button = own.first
                continue
            self._fill(form, name, text)
        self.taps += 1
        self._leave_by(button.element_handle(), expect=expect)
        if expect == 200:
            SENT.append(unquote(action))

    def close(self) -> None:
        """Put the browser's window away; no script failed in it, and no policy was offended."""
        self.screen.context.close()
        assert self.failed == []

    # by hand

    @cached_property
    def _seen(self) -> Seen:
        return Seen(untapped(self.screen.content()))

    def _link(self, path: str) -> ElementHandle | None:
        found = self.screen.evaluate_handle(
            "path => [...document.querySelectorAll('a')].find(a => a.getAttribute('href') === path)", path
        )
        return found.as_element()

    def _has(self, path: str) -> bool:
        return self._link(path) is not None

    def _find(self, path: str) -> None:
        for way in (None, *WAYS):
            if way is not None and self._has(way):
                self._leave_by(self._link(way))
            for _ in range(3):  # a page looks again by itself when another device has stored something
                before = urlsplit(self.screen.url).path
                if (link := self._link(path)) is None:
                    break
                self._leave_by(link)
                if urlsplit(self.screen.url).path != before or urlsplit(path).path == before:
                    return
        raise AssertionError(f"nothing on {self.screen.url} leads to {path}: {self.screen.inner_text('body')[:3000]}")

    def _fill(self, form: Locator, name: str, text: str) -> None:
        fields = form.locator(f'[name="{name}"]')
        assert fields.count(), f"no field {name!r} in {form.get_attribute('action')} on {self.screen.url}"
        kind = fields.first.evaluate("e => e.tagName === 'INPUT' ? e.type : e.tagName.toLowerCase()")
        if kind in ("radio", "checkbox"):
            box = form.locator(f'[name="{name}"][value="{text}"]')
            if box.evaluate("e => e.checked"):
                return
            if not self.by_keys:
                self._press(box.locator("xpath=ancestor::label").element_handle())
            elif kind == "checkbox":
                self._tab_to(box.element_handle())
                self.screen.keyboard.press("Space")
            else:
                self._choose(box.element_handle())
            assert box.evaluate("e => e.checked"), (name, text)
        elif kind == "select":
            if self.by_keys:
                self._tab_to(fields.first.element_handle())
                options = fields.first.evaluate("e => [...e.options].map(o => o.value)")
                self.screen.keyboard.press("Home")
                for _ in range(options.index(text)):
                    self.screen.keyboard.press("ArrowDown")
            else:
                fields.first.select_option(text)
            assert fields.first.input_value() == text
        else:
            self._type(fields.first, text)

    def _type(self, field: Locator, text: str) -> None:
        found = field.element_handle()
        if self.by_keys:
            self._tab_to(found)
        else:
            self._press(found)
        self.screen.keyboard.press("Control+A")
        if text:
            self.screen.keyboard.insert_text(text)
        else:
            self.screen.keyboard.press("Delete")
        assert field.input_value() == text

    def _press(self, element: ElementHandle) -> None:
        """Press what is seen, with the mouse; a fold it stands in is opened first."""
        at = element.evaluate(_AT)
        while at == "folded":
            self._press(element.evaluate_handle(_FOLD).as_element())
            at = element.evaluate(_AT)
        assert not isinstance(at, str), (element.evaluate("e => e.outerHTML.slice(0, 200)"), at, self.screen.url)
        self.screen.mouse.click(*at)

    def _leave_by(self, element: ElementHandle | None, *, expect: int = 200) -> None:
        """Press a link or a button that leads to another page, and wait until what is worked out is there."""
        assert element is not None
        if self.by_keys:
            self._tab_to(element)
        with self.screen.expect_navigation(wait_until="domcontentloaded") as led:
            if self.by_keys:
                self.screen.keyboard.press("Enter")
            else:
                self._press(element)
        self._wait()
        self.__dict__.pop("_seen", None)
        answer = led.value
        assert answer is None or answer.status == expect, (
            answer.url,
            answer.status,
            self.screen.inner_text("body")[:3000],
        )

    def _wait(self) -> None:
        """Until what is worked out is there: the page looks again by itself, with scripts or without."""
        if self.scripts:
            self.screen.wait_for_function(_IS_THERE, polling=100)
        for _ in range(0 if self.scripts else 600):
            with contextlib.suppress(PlaywrightError):  # just then it looked again
                if self.screen.evaluate(_IS_HERE):
                    break
            self.screen.wait_for_timeout(100)
        self.screen.wait_for_load_state("domcontentloaded")

    # by keys

    def _unfold(self, element: ElementHandle) -> None:
        """Open the folds that something stands in."""
        while element.evaluate(_AT) == "folded":
            self._tab_to(element.evaluate_handle(_FOLD).as_element())
            self.screen.keyboard.press("Enter")

    def _tab_to(self, element: ElementHandle) -> None:
        """Tab until it has the focus."""
        self._unfold(element)
        for _ in range(MOST_TABS):
            if element.evaluate("e => e === document.activeElement"):
                return
            self.screen.keyboard.press("Tab")
        raise AssertionError(f"the keyboard does not get to {element.evaluate('e => e.outerHTML.slice(0, 200)')}")

    def _choose(self, radio: ElementHandle) -> None:
        """Tab into the group of a radio button, and go to it by arrows."""
        self._unfold(radio)
        for _ in range(MOST_TABS):
            if radio.evaluate("e => document.activeElement.name === e.name && document.activeElement.form === e.form"):
                break
            self.screen.keyboard.press("Tab")
        for _ in range(MOST_TABS):
            if radio.evaluate("e => e.checked"):
                return
            # an arrow chooses the next one; the one that is reached by Tab is chosen by Space
            is_there = radio.evaluate("e => e === document.activeElement")
            self.screen.keyboard.press("Space" if is_there else "ArrowDown")
