"""Pages over fresh copies of a book."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.bench.shop import PageUnderTest, make_book, make_desk


@pytest.fixture(scope="session")
def ready_books(tmp_path_factory: pytest.TempPathFactory) -> dict[int | None, Path]:
    """Books of the demo's first round with none, six, ten and all of its coupons scored."""
    books = {}
    for scored in (0, 6, 10, None):
        folder = tmp_path_factory.mktemp(f"scored-{scored}")
        made = make_book(folder, scored=scored)
        books[scored] = folder / "whole.sqlite"
        from doe.book.book import Book

        with Book.open(made, who="test") as book:
            book.backup(books[scored])
    return books


@pytest.fixture
def book_with(ready_books: dict[int | None, Path], tmp_path: Path) -> Callable[[int | None], Path]:
    """A book of its own with so many scored coupons."""

    def make(scored: int | None) -> Path:
        target = tmp_path / "shop.sqlite"
        shutil.copy(ready_books[scored], target)
        return target

    return make


@pytest.fixture
def desk_with(book_with: Callable[[int | None], Path]) -> Iterator[Callable[..., PageUnderTest]]:
    """A page over a book of its own; closed at the end, and nothing may have gone wrong in it."""
    desks: list[PageUnderTest] = []

    def make(scored: int | None = 0, *, path: Path | None = None, **more: Any) -> PageUnderTest:
        desk = make_desk(path or book_with(scored), **more)
        desks.append(desk)
        return desk

    yield make
    for desk in desks:
        desk.bench.hints.close()
        desk.bench.shop.close()
        assert desk.errors == []


@pytest.fixture
def desk(desk_with: Callable[..., PageUnderTest]) -> PageUnderTest:
    """A page on the network over a book with a planned round and no score."""
    return desk_with(0)
