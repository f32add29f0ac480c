"""A person who goes from page to page without scripts, and what two books have in common."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from html import unescape
from typing import Any
from urllib.parse import unquote, urlencode

import sqlalchemy as sa

from doe.book.book import Book
from doe.book.tables import Moment, metadata
from tests.bench.shop import Device, hidden_fields
from tests.shop import Shop

COMPARED: dict[str, list[str]] = {}
"""Addresses that are posted to, with the tests that hold what they store against what a command stores."""
SENT: list[str] = []
"""What was posted in the test under way, and taken."""


def compares(*paths: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Mark a test that posts to these addresses in one book, does the same by commands in another, and compares them.

    That it does post there is seen to by a fixture.
    """

    def mark(test: Callable[..., None]) -> Callable[..., None]:
        for path in paths:
            COMPARED.setdefault(path, []).append(f"{test.__module__}.{test.__name__}")
        return test

    return mark


def never_sent(test: str) -> list[str]:
    """Addresses that a test says it compares and did not post to."""
    mine = [path for path, tests in COMPARED.items() if test in tests]
    return [path for path in mine if not any(re.fullmatch(pattern(path), sent) for sent in SENT)]


def pattern(path: str) -> str:
    """Expression for addresses of a route: /recipe/{recipe:path}/day takes /recipe/a/b/day."""
    return re.sub(r"\\{\w+(:path)?(?::\w+)?\\}", lambda found: ".+" if found[1] else "[^/]+", re.escape(path))


class Walk:
    """A person who goes from page to page; counts the taps. `BrowserWalk` has the same verbs in a real browser."""

    def __init__(self, device: Device) -> None:
        self.device, self.taps, self.page = device, 0, device.get("/")

    def tap(self, text: str) -> None:
        """Follow a link by its words."""
        found = re.search(rf'<a[^>]*href="([^"]*)"[^>]*>(?:(?!</a>).)*?{re.escape(text)}', self.page.text, re.DOTALL)
        assert found, f"no link {text!r} in {self.page.text[:3000]}"
        self.go(unescape(found[1]))

    def go(self, path: str) -> None:
        """Open a page, and wait where something is worked out."""
        self.page = self.device.get(path)
        self.taps += 1
        self.wait()

    def at(self, scored: int) -> Walk:
        """Where the next coupon is scored after so many of its round: here."""
        del scored
        return self

    def coupon(self, study: int, coupon: str) -> None:
        """Open a coupon where coupons are scored."""
        self.page = self.device.get(f"/c/{study}/{coupon}")

    def wait(self) -> None:
        """Until what is worked out is there."""
        for _ in range(400):
            found = re.search(r'http-equiv="refresh" content="1;url=([^"]*)"', self.page.text)
            if not found:
                break
            time.sleep(0.1)
            self.page = self.device.get(found[1])
        assert self.page.status_code == 200, self.page.text

    def send(self, action: str, *, expect: int = 200, files: Any = None, **fields: str) -> None:
        """Fill in a form of this page as it stands, change some fields, and send it."""
        data = {**as_it_stands(self.page.text, action), **hidden_fields(self.page.text, action), **fields}
        if f'<form method="get" action="{action}"' in self.page.text:
            self.go(f"{action}?{urlencode(data)}")
            return
        self.page = self.device.client.post(action, data=data, files=files, headers={"Origin": self.device.origin})
        self.taps += 1
        if expect == 200:
            self.wait()
        assert self.page.status_code == expect, self.page.text
        if expect == 200:
            SENT.append(unquote(action))


def as_it_stands(html: str, action: str) -> dict[str, str]:
    """What a form would send untouched: texts, and what is ticked."""
    form = re.search(rf'<form[^>]*action="{re.escape(action)}"[^>]*>(.*?)</form>', html, flags=re.DOTALL)
    assert form is not None, f"no form to {action} in {html[:3000]}"
    found = dict(re.findall(r'<input type="text"[^>]*name="([^"]*)" value="([^"]*)"', form[1]))
    for name, options in re.findall(r'<select[^>]*name="([^"]*)"[^>]*>(.*?)</select>', form[1], flags=re.DOTALL):
        found.update((name, value) for value in re.findall(r'<option value="([^"]*)" selected', options))
    found |= dict(re.findall(r'<input type="radio" name="([^"]*)" value="([^"]*)" checked', form[1]))
    found |= dict(re.findall(r'<input type="checkbox" name="([^"]*)" value="([^"]*)" checked', form[1]))
    return {name: unescape(value) for name, value in found.items()}


def field_of(page: str, label: str) -> str:
    """The field that a label stands at."""
    found = re.search(rf'<label for="f-([^"]*)">{re.escape(label)}</label>', page)
    assert found, f"no field {label!r} in {page[:3000]}"
    return found[1]


OWN = ("book_info", "page_state", "seals")
"""Tables in which two books differ though the same was done in them."""


def everything_in(book: Book) -> dict[str, list[dict[str, Any]]]:
    """Every row of a book but for when it was stored, and names made up by chance."""
    found = {}
    with book._engine.connect() as connection:
        for table in metadata.sorted_tables:
            if table.name in OWN:
                continue
            told = [c for c in table.c if not isinstance(c.type, Moment) and c.name not in ("uid", "version")]
            found[table.name] = [dict(row._mapping) for row in connection.execute(sa.select(*told).order_by("id"))]
    _number(found)
    return found


def _number(found: dict[str, list[dict[str, Any]]]) -> None:
    """Count rows from 1: a server leaves out the numbers that a refused act had taken."""
    counted = {name: {row["id"]: at for at, row in enumerate(rows, 1)} for name, rows in found.items()}
    for name, rows in found.items():
        for column in metadata.tables[name].c:
            to = next((key.column.table.name for key in column.foreign_keys), name if column.name == "id" else "")
            if to in counted and column.name in (rows[0] if rows else ()):
                for row in rows:
                    row[column.name] = counted[to].get(row[column.name], row[column.name])


_OTHER_EACH_TIME = {"uid", "sum", "figures_at"}
_MOMENT = re.compile(r"\d{4}-\d\d-\d\d(T| )\d\d:\d\d.*")


def at_any_time(thing: Any) -> Any:
    """What a row says but for moments and for names made up by chance."""
    if isinstance(thing, dict):
        return {name: at_any_time(value) for name, value in thing.items() if name not in _OTHER_EACH_TIME}
    if isinstance(thing, list):
        return [at_any_time(value) for value in thing]
    return "a moment" if isinstance(thing, str) and _MOMENT.fullmatch(thing) else thing


def assert_same(by_page: Book, by_command: Book) -> None:
    """The rows of two books are the same, acts first since they say most of what differs."""
    here, there = everything_in(by_page), everything_in(by_command)
    assert [act["verb"] for act in here["acts"]] == [act["verb"] for act in there["acts"]]
    for table, rows in there.items():
        page, command = at_any_time(here[table]), at_any_time(rows)
        assert [one for one in page if one not in command] == [one for one in command if one not in page], table
        assert page == command, table


@dataclass
class Twice:
    """Two copies of a book: one for a person who goes from page to page, one for commands."""

    office: object
    walk: Walk
    shop: Shop

    def in_both(self, act: Callable[[Book], object]) -> None:
        """The same act on both books."""
        for place in (self.office.place, self.shop.book):
            with Book.open(place, who="ana") as book:
                act(book)

    def same(self) -> None:
        """Both books say the same."""
        with self.shop.open() as book:
            assert_same(self.office.book, book)
