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
def book(tmp_path: Path, filled: Path | str, places: Places) -> Iterator[Book]:
    path = places.copy(filled, tmp_path / "shop.sqlite")
    with Book.open(path, who="Ina", now=ticking(datetime(2030, 1, 2, tzinfo=UTC))) as opened:
        yield opened
