"""Pages of the whole job over books of their own."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Hashable, Iterator
from pathlib import Path

import pytest

from doe.book.book import Book
from doe.book.memory import Kept, Memory
from doe.office.pages import pages
from tests.bench.shop import PageUnderTest, make_desk
from tests.office.walk import SENT, Twice, Walk, never_sent
from tests.postgres import Places
from tests.shop import Shop


@pytest.fixture(autouse=True)
def _what_is_compared_is_sent(request: pytest.FixtureRequest) -> Iterator[None]:
    """A test that says it compares an address with a command has posted to it."""
    SENT.clear()
    yield
    assert never_sent(f"{request.module.__name__}.{request.function.__name__}") == []


@pytest.fixture(autouse=True)
def _what_is_remembered_stays_as_it_was_read(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Answers share what was read of a book: none may change it."""
    read: dict[int, tuple[Kept, str]] = {}
    put = Memory.put

    def put_and_note(memory: Memory, key: Hashable, kept: Kept) -> None:
        read[id(kept)] = kept, repr(kept.value)
        put(memory, key, kept)

    monkeypatch.setattr(Memory, "put", put_and_note)
    yield
    # a copy: what is worked out beside a page may still be reading the book
    assert [kept for kept, said in list(read.values()) if repr(kept.value) != said] == []


@pytest.fixture
def office_over(tmp_path: Path, places: Places) -> Iterator[Callable[..., PageUnderTest]]:
    """The whole job over a book, an empty one when none is named; nothing may have gone wrong in it at the end."""
    made: list[PageUnderTest] = []

    def open_pages(book: Path | str | None = None, *, is_local: bool = True) -> PageUnderTest:
        if book is None:
            book = places.new(tmp_path / "pages.sqlite")
            Book.open(book, who="owner").close()
        page = make_desk(book, is_local=is_local, more_pages=pages)
        made.append(page)
        return page

    yield open_pages
    for page in made:
        page.bench.close()
        page.bench.shop.close()
        assert page.errors == []


@pytest.fixture
def demo_book(made_demo: Path, tmp_path: Path) -> Path:
    """The book of the demo, the test's own."""
    return Path(shutil.copy(made_demo, tmp_path / "demo.sqlite"))


@pytest.fixture
def twice(office_over, tmp_path: Path, places: Places) -> Callable[[Path | str], Twice]:
    def copy(book: Path | str, way: str) -> Path | str:
        if isinstance(book, str):
            return places.copy(book, tmp_path)
        with Book.open(book, who="test") as whole:
            return whole.backup(tmp_path / f"{way}.sqlite")

    def make(book: Path | str) -> Twice:
        page, command = (copy(book, way) for way in ("page", "command"))
        office = office_over(page)
        return Twice(office, Walk(office.device("ana")), Shop(tmp_path, command))

    return make
