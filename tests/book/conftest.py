"""A real book file with one study of invented coupons, for the tests of storage."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from book_samples import fill, ticking

from doe.book import Book


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    with Book.open(tmp_path / "shop.sqlite", who="Ina", now=ticking()) as opened:
        fill(opened)
        yield opened
