"""Pages over fresh copies of a book."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from doe.book.book import Book
from tests.bench.shop import PageUnderTest, make_book, make_desk
from tests.postgres import Places


@pytest.fixture(scope="session")
def ready_books(tmp_path_factory: pytest.TempPathFactory, places: Places) -> dict[int | None, Path | str]:
    """Books of the demo's first round with none, six, ten and all of its coupons scored."""
    books: dict[int | None, Path | str] = {}
    for scored in (0, 6, 10, None):
        folder = tmp_path_factory.mktemp(f"scored-{scored}")
        books[scored] = made = make_book(places.new(folder / "shop.sqlite"), scored=scored)
        if isinstance(made, Path):  # one file, without what is still in its log
            with Book.open(made, who="test") as book:
                books[scored] = book.backup(folder / "whole.sqlite")
    return books


@pytest.fixture
def book_with(
    ready_books: dict[int | None, Path | str], tmp_path: Path, places: Places
) -> Callable[[int | None], Path | str]:
    """A book of its own with so many scored coupons."""
    return lambda scored: places.copy(ready_books[scored], tmp_path / "shop.sqlite")


@pytest.fixture
def desk_with(book_with: Callable[[int | None], Path | str]) -> Iterator[Callable[..., PageUnderTest]]:
    """A page over a book of its own; closed at the end, and nothing may have gone wrong in it."""
    desks: list[PageUnderTest] = []

    def make(scored: int | None = 0, *, path: Path | str | None = None, **more: Any) -> PageUnderTest:
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
