"""A shop with a study on the bench, and devices that use its page."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from doe.acts.demo.run import _record, _set_up
from doe.acts.demo.story import read_rounds, read_story
from doe.bench.guard import Hosts
from doe.bench.serve import make_app
from doe.bench.shop import Shop
from doe.bench.state import Bench
from doe.book.book import Book
from doe.domain.units import METRIC, Shown
from tests.shared import untapped

PORT = 8765
STUDY = 1
ADDRESS = f"http://127.0.0.1:{PORT}"


def make_book(path: Path | str, *, rounds: int = 1, scored: int | None = None) -> Path | str:
    """A book with the demo's study and its first round; ``scored``: how many of its coupons, all when None."""
    story = read_story()
    with Book.open(path, who="ana") as book:
        _set_up(book, story)
        for made in read_rounds(story)[:rounds]:
            if scored is None:
                _record(book, story.study.name, made)
                continue
            book.save_round(
                story.study.name, made.coupons, kind=made.kind, seed=made.seed, notes=("Invented coupons of the demo.",)
            )
            book.record(story.study.name, made.entries[:scored])
    return path


@dataclass
class PageUnderTest:
    """A page under test, with what it announced in its terminal and what went wrong in it."""

    bench: Bench
    app: Any
    place: Path | str
    said: list[str] = field(default_factory=list)
    errors: list[BaseException] = field(default_factory=list)
    now: list[float] = field(default_factory=lambda: [1000.0])

    @property
    def code(self) -> str:
        """The pairing code in force."""
        return self.said[-1].replace(" ", "")

    @property
    def book(self) -> Book:
        """The book, to look what was stored."""
        return self.bench.shop.look

    def device(self, who: str = "", *, address: str = "192.168.7.20", cookies: Any = None) -> Device:
        """A browser without scripts. With a name it is let in and that name is chosen."""
        client = Reader(
            self.app,
            base_url=ADDRESS if self.bench.is_local else f"http://192.168.7.2:{PORT}",
            raise_server_exceptions=True,
            follow_redirects=True,
            client=(address, 50000),
            cookies=cookies,
        )
        device = Device(client)
        if who:
            page = device.get("/")
            if not self.bench.is_local:
                page = device.send(page, "/pair", code=self.code)
            page = device.send(page, "/name", typed=who)
            assert page.status_code == 200, page.text
        return device


class Reader(TestClient):
    """A client that reads pages as a person does: words of ours stand in their sentences, not in buttons.

    ``as_sent``: it takes them as they are sent.
    """

    as_sent = False

    def send(self, *args: Any, **named: Any) -> Any:
        """Send a request; the page it is answered with has no buttons that explain."""
        answer = super().send(*args, **named)
        if (
            not self.as_sent
            and answer.headers.get("content-type", "").startswith("text/html")
            and not named.get("stream")
        ):
            answer._content = untapped(answer.text).encode()
            del answer._text
        return answer


@dataclass
class Device:
    """A browser without scripts: it keeps cookies, and sends the forms of pages it was given."""

    client: TestClient

    @property
    def origin(self) -> str:
        """What a browser says about where a form comes from."""
        return str(self.client.base_url).rstrip("/")

    def get(self, path: str, **more: Any) -> Any:
        """Look at a page."""
        return self.client.get(path, **more)

    def send(
        self, page: Any, action: str, *, files: Any = None, headers: dict[str, str] | None = None, **fields: Any
    ) -> Any:
        """Send the form of a page that goes to ``action``, with these fields filled in."""
        data = {**hidden_fields(page.text, action), **fields}
        return self.client.post(action, data=data, files=files, headers={"Origin": self.origin, **(headers or {})})

    def score(self, coupon: str, study: int = STUDY, **fields: Any) -> Any:
        """Open a coupon's form, fill it in and save it."""
        page = self.get(f"/c/{study}/{coupon}")
        return self.send(page, f"/score/{study}/{coupon}", **fields)


def hidden_fields(html: str, action: str) -> dict[str, Any]:
    """Hidden fields of the first form that goes to ``action``."""
    form = re.search(rf'<form[^>]*action="{re.escape(action)}"[^>]*>(.*?)</form>', html, flags=re.DOTALL)
    assert form is not None, f"no form to {action} in {html[:2000]}"
    found: dict[str, Any] = {}
    for name, value in re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)">', form[1]):
        found.setdefault(name, []).append(value.replace("&amp;", "&").replace("&#34;", '"').replace("&#39;", "'"))
    return {name: values[0] if len(values) == 1 else values for name, values in found.items()}


def make_desk(
    path: Path | str, *, is_local: bool = False, shown: Shown = METRIC, more_pages: Any = None
) -> PageUnderTest:
    """A page over a book."""
    said: list[str] = []
    errors: list[BaseException] = []
    now = [1000.0]
    shop = Shop(path, owner="owner", shown=shown)
    bench = Bench(
        shop,
        is_local=is_local,
        link=ADDRESS,
        announce=said.append,
        log=errors.append,
        clock=lambda: now[0],
        more_pages=more_pages,
    )
    if not is_local:
        bench.pairing.renew()
    app = make_app(bench, Hosts(is_local, PORT, ("bench-tablet",)))
    return PageUnderTest(bench, app, path, said, errors, now)
