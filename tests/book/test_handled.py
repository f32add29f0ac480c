"""Whether a coupon was handled well is a field of its own; a book from before it is read as it is."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from doe.book.book import Book
from doe.domain.errors import InputError
from doe.domain.outcome import HANDLED_COLUMN
from doe.domain.score import ScoreEntry
from tests.postgres import Server

OLDER = Path(__file__).with_name("book_of_schema_0007.sql")
S = "first article"


@pytest.fixture
def older(tmp_path: Path) -> Path:
    path = tmp_path / "shop.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(OLDER.read_text(encoding="utf-8"))
    return path


def stored(path: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT * FROM entries ORDER BY id").fetchall()


def test_an_older_book_is_read_as_it_is_and_takes_the_answer(older: Path) -> None:
    rows = stored(older)
    with Book.open(older, who="Ina", upgrade=True) as book:
        assert book.upgraded_from is not None
        frame = book.results(S)
        assert HANDLED_COLUMN not in frame
        assert frame["side"].tolist()[:2] == ["under", "other"]
        assert stored(older) == rows
        assert book.check() == []  # the seals of the older schema hold
        book.record(S, [ScoreEntry("R1-01", handled="yes")])
        assert book.results(S)[HANDLED_COLUMN].tolist() == ["yes", "", "", ""]
        assert book.check() == []
    with closing(sqlite3.connect(older)) as connection:
        assert {row[0] for row in connection.execute("SELECT schema FROM seals")} == {"0007", "0008"}


def test_an_older_program_refuses_a_book_that_may_hold_the_answer(older: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Book.open(older, who="Ina", upgrade=True) as book:
        book.record(S, [ScoreEntry("R1-01", handled="no")])
    monkeypatch.setattr("doe.book.schema.SCHEMA_VERSION", "0007")
    with pytest.raises(InputError, match="made by a newer program"):
        Book.open(older, who="Ina")


def test_the_answer_moves_to_a_server_and_back(older: Path, postgres: Server, tmp_path: Path) -> None:
    with Book.open(older, who="Ina", upgrade=True) as book, Book.open(postgres.database(), who="Bo") as there:
        book.record(S, [ScoreEntry("R1-01", handled="yes")])
        there.import_(book.export(tmp_path / "there.zip"))
        there.record(S, [ScoreEntry("R1-02", handled="no")])
        assert there.results(S)[HANDLED_COLUMN].tolist() == ["yes", "no", "", ""]
        assert there.check(book.seal()) == []
        with Book.open(tmp_path / "back.sqlite", who="Ina") as back:
            back.import_(there.export(tmp_path / "back.zip"))
            assert back.results(S)[HANDLED_COLUMN].tolist() == ["yes", "no", "", ""]
            assert back.check(there.seal()) == []
