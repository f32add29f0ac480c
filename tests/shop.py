"""A shop for the commands: a book with a stack, a line and a study, and a way to run a command line in it."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from typer.testing import CliRunner

from doe.acts.demo.run import _record, _set_up
from doe.acts.demo.story import read_rounds, read_story
from doe.book.book import Book
from doe.cli.app import app
from doe.practice.worth import try_line
from doe.surfaces.fitted import PARTICLES, fit
from tests.postgres import Places

STUDY = "new powder on the heavy tee"


@dataclass(frozen=True)
class CommandResult:
    """What a command did: exit code and both streams."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """The one JSON object on standard output."""
        return json.loads(self.out)

    @property
    def errors(self) -> list[str]:
        """Lines on standard error."""
        return [line for line in self.err.splitlines() if line.strip()]


@dataclass(frozen=True)
class Shop:
    """A folder with a book; commands run in it."""

    folder: Path
    book: Path | str

    def run(self, *words: str, typed: str | None = None, env: dict[str, str] | None = None) -> CommandResult:
        """Run one command line."""
        settings = {
            "DOE_BOOK": str(self.book),
            "DOE_WHO": "ana",
            "DOE_UNITS": "",
            "COLUMNS": "80",
            "NO_COLOR": "1",
            "DOE_CACHE": str(self.folder / "cache"),
        }
        found = CliRunner().invoke(app, list(words), input=typed, env={**settings, **(env or {})})
        return CommandResult(found.exit_code, found.stdout, found.stderr)

    def good(self, *words: str, **more: Any) -> CommandResult:
        """Run one command line that must work."""
        found = self.run(*words, **more)
        assert found.code == 0, found.err or found.out
        return found

    def backed_up(self, *words: str) -> None:
        """Run ``doe book backup``: a book on a server is backed up by the server's own tools, and it says so."""
        found = self.run(*words)
        if isinstance(self.book, Path):
            assert found.code == 0, found.err
        else:
            assert found.code == 2
            assert "the backup tools of the server" in found.err

    def has_book(self) -> bool:
        """Whether something has made the book: a file, or tables in the database."""
        if isinstance(self.book, Path):
            return self.book.exists()
        url = sa.make_url(self.book).set(drivername="postgresql+psycopg")
        engine = sa.create_engine(url, poolclass=sa.NullPool)
        with engine.connect() as connection:
            return bool(sa.inspect(connection).get_table_names())

    def open(self) -> Book:
        """The book itself, to look what was stored."""
        return Book.open(self.book, who="test")


quick_line = partial(try_line, particles=120)
"""A size tried on a line with a fifth of the draws: what is said of it, and where, is the same."""


def _make(folder: Path, rounds: int, places: Places) -> Path | str:
    story = read_story()
    path = places.new(folder / "book.sqlite")
    with Book.open(path, who="ana") as book:
        _set_up(book, story)
        for made in read_rounds(story)[:rounds]:
            _record(book, story.study.name, made)
        return path if places.server else book.backup(folder / "ready.sqlite")


@pytest.fixture(scope="session")
def _ready_books(tmp_path_factory: pytest.TempPathFactory, places: Places) -> Sequence[Path | str]:
    return [_make(tmp_path_factory.mktemp(f"rounds-{n}"), n, places) for n in range(3)]


@pytest.fixture
def shop_with(
    _ready_books: Sequence[Path | str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, places: Places
) -> Callable[[int], Shop]:
    """A shop whose study has this many scored rounds (0 to 2)."""
    monkeypatch.chdir(tmp_path)

    def make(rounds: int) -> Shop:
        return Shop(tmp_path, places.copy(_ready_books[rounds], tmp_path / "shop.sqlite"))

    return make


@pytest.fixture
def few_draws(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fits take a quarter of the draws: for walks that look at words, and at no number but that it is the same."""
    monkeypatch.setitem(fit.__kwdefaults__, "particles", PARTICLES // 4)


@pytest.fixture
def empty_shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, places: Places) -> Shop:
    """A folder without a book yet. Its examples try sizes on one invented line instead of 42, which take minutes, and
    fit each plan of it with fewer draws.
    """
    monkeypatch.setattr("doe.practice.worth.LINES", 1)
    monkeypatch.setattr("doe.practice.worth.try_line", quick_line)
    monkeypatch.setattr("doe.acts.study.worth._cores", lambda: 1)
    monkeypatch.chdir(tmp_path)
    return Shop(tmp_path, places.new(tmp_path / "shop.sqlite"))
