"""Backups are whole and consistent; `check` finds what does not hang together."""

from __future__ import annotations

import os
import sqlite3
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest

from doe.book.book import Book
from doe.domain.errors import InputError
from doe.domain.score import ScoreEntry
from tests.power import watch

S = "first article"


def damage(path: Path, *changes: str) -> list[str]:
    """Change a book behind its back, with its own guards taken away; returns what `check` then says."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        for change in changes:
            connection.execute(change)
        connection.commit()
    with Book.open(path, who="Ina") as book:
        return book.check()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("DELETE FROM coupons WHERE name = 'R1-01'", "Row 1 of entries points to a row of coupons that is not there."),
        ("DELETE FROM entries WHERE id = 2", "Act 5 (record) added 3 rows, but 2 are there."),
        ("UPDATE entries SET value = '{' WHERE id = 1", "Row 1 of entries cannot be read"),
        ("UPDATE entries SET field = 'note' WHERE id = 4", "Row 4 of entries corrects a row about something else"),
        (
            "UPDATE entries SET supersedes = NULL, field = 'x' WHERE id = 4",
            "Row 4 of entries has a field x that nobody knows.",
        ),
        ("UPDATE analyses SET inputs_hash = ' '", "Analysis 1 has no hash of its inputs."),
        ("UPDATE study_entries SET data = '{}'", "Row 1 of study_entries cannot be read: TypeError"),
        ("UPDATE rounds SET notes = '[3]'", "Row 1 of rounds cannot be read: TypeError"),
        ("UPDATE rounds SET study_id = 7", "Coupon R1-01 of study 1 is in a round of another study."),
        ("INSERT INTO studies VALUES (2, 'now')", "Study 2 has no name and no content."),
    ],
)
@pytest.mark.in_file("damages the file behind the program")
def test_check_says_what_is_wrong(book: Book, tmp_path: Path, change: str, said: str) -> None:
    book.record(S, [ScoreEntry("R1-01", checks={"release": True}, hand={"ana": 4}, note="n")])
    book.record(S, [ScoreEntry("R1-01", hand={"ana": 4.5})], why="felt again")
    book.save_analysis(S, kind="fit", inputs_hash="h", seed=1, version="1", payload={})
    assert book.check() == []
    book.close()
    assert any(said in sentence for sentence in damage(tmp_path / "shop.sqlite", change))


@pytest.mark.in_file("damages the file behind the program")
def test_check_reads_the_file_itself(book: Book, tmp_path: Path) -> None:
    book.close()
    path = tmp_path / "shop.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        page = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'ix_coupons_act_id'").fetchone()[0]
    content = bytearray(path.read_bytes())
    content[(page - 1) * 4096 + 3 : (page - 1) * 4096 + 5] = b"\x00\x00"  # the index page says it is empty
    path.write_bytes(content)
    with Book.open(path, who="Ina") as opened:
        assert any("damaged" in sentence for sentence in opened.check())


@pytest.mark.in_file("about a file and its copies")
def test_a_backup_is_one_whole_file_and_opens_as_a_book(book: Book, tmp_path: Path) -> None:
    book.record(S, [ScoreEntry("R1-01", checks={"release": True})])
    copy = book.backup(tmp_path / "copy.sqlite")
    assert {p.name for p in tmp_path.iterdir()} >= {"copy.sqlite", "shop.sqlite"}
    assert not list(tmp_path.glob("copy.sqlite-*"))
    with Book.open(copy, who="Bo", create=False) as other:
        assert other.check() == []
        assert other.history(S) == book.history(S)
        other.record(S, [ScoreEntry("R1-02", checks={"release": True})])
    assert len(book.history(S)) == 1
    with pytest.raises(InputError, match="backups are not overwritten"):
        book.backup(copy)
    with pytest.raises(InputError, match="Make the folder first"):
        book.backup(tmp_path / "missing" / "copy.sqlite")


@pytest.mark.in_file("about a file and its copies")
def test_backups_made_while_others_write_are_whole(book: Book, tmp_path: Path) -> None:
    stop = threading.Event()
    failures: list[BaseException] = []

    def write() -> None:
        try:
            with Book.open(tmp_path / "shop.sqlite", who="Bo") as other:
                score = 0
                while not stop.is_set():
                    score += 1
                    entry = ScoreEntry("R1-01", checks={"release": score % 2 == 0}, note=f"look {score}")
                    other.record(S, [entry], why="looked again")
        except BaseException as error:
            failures.append(error)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        copies = [book.backup(tmp_path / f"copy-{i}.sqlite") for i in range(8)]
    finally:
        stop.set()
        writer.join()
    assert failures == []
    lengths = []
    for copy in copies:
        with Book.open(copy, who="Ina") as opened:
            assert opened.check() == []
            lengths.append(len(opened.history(S)))
    assert lengths == sorted(lengths)
    assert all(length % 2 == 0 for length in lengths)  # two entries an act: never half of one


def test_one_open_book_serves_many_threads(book: Book) -> None:
    failures: list[BaseException] = []

    def look_and_record(coupon: str) -> None:
        try:
            for number in range(5):
                book.record(S, [ScoreEntry(coupon, note=f"{number}")], why="looked again")
                assert len(book.results(S)) == 4
        except BaseException as error:  # shown by the test
            failures.append(error)

    threads = [threading.Thread(target=look_and_record, args=(f"R1-0{i}",)) for i in range(1, 5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert len(book.history(S)) == 20
    assert book.check() == []


@pytest.mark.skipif(sys.platform != "linux", reason="names of open files are read from /proc")
@pytest.mark.parametrize("make", ["export", "backup"])
@pytest.mark.in_file("asks which writes of a file were flushed")
def test_what_was_said_to_be_written_survives_a_power_cut(
    book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, make: str
) -> None:
    folder = tmp_path / "kept"
    folder.mkdir()
    disk = watch(monkeypatch, folder)
    made = getattr(book, make)(folder / "copy")
    assert disk.now(folder) == {"copy": made.read_bytes()}
    # at no step is there a file of that name whose content is not sure
    assert all(state.get("copy", b"") is not None for state in disk.states)


def test_a_copy_that_fails_leaves_nothing(book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    folder = tmp_path / "kept"
    folder.mkdir()
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left"):
        book.export(folder / "copy.zip")
    assert list(folder.iterdir()) == []


@pytest.mark.in_file("about a file and its copies")
def test_an_export_that_cannot_be_taken_in_leaves_no_book(tmp_path: Path) -> None:
    for path in (tmp_path / "missing.zip", tmp_path / "no.zip"):
        with Book.open(tmp_path / "new.sqlite", who="Ina") as new:
            with pytest.raises(InputError):
                new.import_(path)
            new.discard_if_new()
        (tmp_path / "no.zip").write_text("no zip")
    assert [path.name for path in tmp_path.iterdir()] == ["no.zip"]
