"""A person who goes from page to page without scripts, and what two books have in common."""

from __future__ import annotations

import re
import time
from html import unescape
from typing import Any

import sqlalchemy as sa

from doe.book.book import Book
from doe.book.tables import Moment, metadata
from tests.bench.shop import Device, hidden_fields


class Walk:
    """A person who goes from page to page; counts the taps."""

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
        self.page = self.device.client.post(action, data=data, files=files, headers={"Origin": self.device.origin})
        self.taps += 1
        if expect == 200:
            self.wait()
        assert self.page.status_code == expect, self.page.text


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
    return found
