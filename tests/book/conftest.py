"""A real book file with one study of invented coupons, for the tests of storage."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from doe.book.book import Book
from tests.book.samples import fill, ticking
from tests.postgres import Places


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory, places: Places) -> Path | str:
    """Made once and copied: making a book is tested elsewhere."""
    path = places.new(tmp_path_factory.mktemp("book") / "filled.sqlite")
    with Book.open(path, who="Ina", now=ticking()) as opened:
        fill(opened)
    return path


@pytest.fixture
def book_place(tmp_path: Path, filled: Path | str, places: Places) -> Path | str:
    """Where the test's own book is."""
    return places.copy(filled, tmp_path / "shop.sqlite")


@pytest.fixture
def book(book_place: Path | str) -> Iterator[Book]:
    with Book.open(book_place, who="Ina", now=ticking(datetime(2030, 1, 2, tzinfo=UTC))) as opened:
        yield opened
