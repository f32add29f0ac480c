"""Notes of the shop: kept, withdrawn with a reason, carried to another book once, and added to an older book."""

from __future__ import annotations

import json
import sqlite3
import zipfile
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa

from doe.book.book import Book
from doe.book.tables import SCHEMA_VERSION, shop_notes
from doe.domain.errors import InputError
from tests.book.samples import fill, ticking
from tests.postgres import Place

OLDER = Path(__file__).with_name("book_of_schema_0002.sql")


def test_notes_come_back_as_they_were_with_who_and_when(place: Place) -> None:
    path = place()
    with Book.open(path, who="Ina", now=ticking()) as book:
        book.save_note("case", "tee", {"cause": "dust", "symptoms": ["pinholes"], "p": 0.5})
        book.save_note("case", "hoodie", {"cause": ""})
        book.save_note("practice", "Bo", {"score": 70})
    with Book.open(path, who="Bo") as book:
        first, second = book.notes("case")
        assert first.data == {"cause": "dust", "symptoms": ["pinholes"], "p": 0.5}
        assert (first.name, first.who, first.at.year) == ("tee", "Ina", 2030)
        assert second.name == "hoodie"
        assert [n.data["score"] for n in book.notes("practice", "Bo")] == [70]
        assert book.notes("practice", "Ina") == ()
        assert book.audit(1)[0].verb == "note practice"


def test_withdrawn_note_no_longer_counts_and_stays_in_the_book(place: Place) -> None:
    with Book.open(place(), who="Ina") as book:
        number = book.save_note("case", "tee", {"cause": "dust"})
        with pytest.raises(InputError, match="no reason"):
            book.withdraw_note(number, " ")
        book.withdraw_note(number, "it was ink")
        assert book.notes("case") == ()
        with pytest.raises(InputError, match="withdrawn already"):
            book.withdraw_note(number, "again")
        with pytest.raises(InputError, match="no such note"):
            book.withdraw_note(99, "wrong")
        assert book.check() == []
        with book.reading() as connection:
            assert connection.scalar(sa.select(sa.func.count()).select_from(shop_notes)) == 2


@pytest.mark.parametrize(("topic", "name"), [("", "tee"), ("case", " ")])
def test_note_needs_a_topic_and_a_name(place: Place, topic: str, name: str) -> None:
    with Book.open(place(), who="Ina") as book, pytest.raises(InputError, match="found nothing"):
        book.save_note(topic, name, {})


def test_notes_travel_with_an_export_and_arrive_once(place: Place, tmp_path: Path) -> None:
    with Book.open(place("a"), who="Ina") as book:
        book.save_note("case", "tee", {"cause": "dust"})
        wrong = book.save_note("case", "tee", {"cause": "ink"})
        book.withdraw_note(wrong, "typed in twice")
        book.export(tmp_path / "a.zip")
    with Book.open(place("b"), who="Bo") as book:
        book.save_note("case", "own", {"cause": "peel_fast"})
        for _ in range(2):
            book.import_(tmp_path / "a.zip")
            assert [n.name for n in book.notes("case")] == ["own", "tee"]
        assert book.check() == []


def test_export_of_a_program_without_notes_is_taken(place: Place, tmp_path: Path) -> None:
    with Book.open(place("a"), who="Ina") as book:
        fill(book)
        book.export(tmp_path / "a.zip")
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        content = json.loads(archive.read("book.json"))
    del content["tables"]["shop_notes"]
    with zipfile.ZipFile(tmp_path / "old.zip", "w") as archive:
        archive.writestr("book.json", json.dumps(content))
    with Book.open(place("b"), who="Bo") as book:
        assert book.import_(tmp_path / "old.zip") == 1
        assert len(book.plan_coupons(1)) == 4


def test_book_of_the_schema_before_is_upgraded_and_takes_notes(tmp_path: Path) -> None:
    path = tmp_path / "shop.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(OLDER.read_text())
    with Book.open(path, who="Ina", now=ticking()) as book:
        assert book.upgraded_from == tmp_path / "shop-schema-0002-20300101000000.sqlite"
        assert book.check() == []
        (summary,) = book.studies()
        assert (summary.scored, summary.verdict) == (2, "more coupons")
        assert book.gauge_readings("line 1")[0].measured_degc == 146
        assert book.notes("case") == ()
        book.save_note("case", "tee", {"cause": "dust"})
        assert book.check() == []
    with closing(sqlite3.connect(path)) as connection:
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            connection.execute("DELETE FROM shop_notes")
        assert connection.execute("SELECT version_num FROM book_version").fetchone() == (SCHEMA_VERSION,)
