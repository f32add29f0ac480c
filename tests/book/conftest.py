"""A real book file with one study of invented coupons, for the tests of storage."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from doe.book.book import Book
from tests.book.samples import fill, ticking


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Made once and copied: making a book is tested elsewhere."""
    path = tmp_path_factory.mktemp("book") / "filled.sqlite"
    with Book.open(path, who="Ina", now=ticking()) as opened:
        fill(opened)
    return path


@pytest.fixture
def book(tmp_path: Path, filled: Path) -> Iterator[Book]:
    path = tmp_path / "shop.sqlite"
    shutil.copy(filled, path)
    with Book.open(path, who="Ina", now=ticking(datetime(2030, 1, 2, tzinfo=UTC))) as opened:
        yield opened
