"""A damaged book: `doe book check` answers with exit code 1, every other command with one line."""

from __future__ import annotations

import random
import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.shop import STUDY

DAMAGES = (
    "DROP TABLE rounds",
    "DROP TABLE seals",
    "DROP TABLE entries",
    "DROP TABLE acts",
    "UPDATE study_entries SET data = '{}'",
    "UPDATE study_entries SET data = '['",
    "UPDATE coupons SET settings = '[]'",
    "UPDATE coupons SET place = '3'",
    "UPDATE entries SET value = '{'",
    "UPDATE stacks SET data = '{\"name\": 3}'",
    "UPDATE lines SET data = 'null'",
    "UPDATE acts SET at = 'yesterday'",
    "UPDATE gauge_readings SET data = '{}'",
    "UPDATE rounds SET notes = '{'",
)
COMMANDS = (
    ("study", "list"),
    ("study", "show", STUDY),
    ("stack", "list"),
    ("line", "list"),
    ("people", STUDY),
    ("book", "audit"),
    ("record", STUDY, "--coupon", "R1-01", "--note", "n", "--why", "w"),
    ("sheet", STUDY, "-o", "sheets"),
)

pytestmark = pytest.mark.in_file("damages the file behind the program")


def damage(shop, *changes):
    with closing(sqlite3.connect(shop.book)) as connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        for change in changes:
            connection.execute(change)
        connection.commit()


def shorten(book, share):
    content = book.read_bytes()
    book.write_bytes(content[: int(len(content) * share)])


def overwrite(book, at, data):
    with book.open("r+b") as file:
        file.seek(at)
        file.write(data)


FILES = {
    "empty": lambda shop: shorten(shop.book, 0),
    "cut in half": lambda shop: shorten(shop.book, 0.5),
    "no beginning": lambda shop: overwrite(shop.book, 0, bytes(100)),
    "another kind of file": lambda shop: shop.book.write_text("a list of what to buy\n" * 200),
    "first table gone": lambda shop: overwrite(shop.book, 100, b"\xff" * 2000),
    "no version": lambda shop: damage(shop, "DROP TABLE book_version"),
    "two versions": lambda shop: damage(shop, "INSERT INTO book_version VALUES ('0001')"),
    "no acts": lambda shop: damage(shop, "DROP TABLE acts"),
    "no entries": lambda shop: damage(shop, "DROP TABLE entries"),
}
WHICH = re.compile(
    r"go back to the last backup of \d{1,2} \w+ \d{4}, \d\d:\d\d UTC, at (\S+?)(, where no file is now)?\.$"
)


@pytest.mark.parametrize("what", FILES)
def test_damage_of_any_kind_names_the_backup_to_go_back_to(shop_with, what):
    shop = shop_with(1)
    shop.good("book", "backup", "first.sqlite")
    shop.good("book", "backup", "kept.sqlite")
    FILES[what](shop)
    found = shop.run("book", "check")
    assert (found.code, found.err) == (1, "")
    assert "kept.sqlite" in "".join(found.out.split())  # wrapped
    answer = shop.run("record", STUDY, "--coupon", "R1-01", "--note", "n", "--why", "w")
    assert (answer.code, len(answer.errors)) == (2, 1)
    said = WHICH.search(answer.errors[0])
    assert said, answer.err
    assert (said[1], said[2]) == (str(shop.folder / "kept.sqlite"), None)
    shop.book.unlink()
    (shop.folder / "kept.sqlite").rename(shop.book)  # what the message says to do brings the book back
    assert "sound" in shop.good("book", "check").out


def test_a_backup_that_is_gone_and_a_note_that_cannot_be_read_are_said(shop_with):
    shop = shop_with(1)
    shop.good("book", "backup", "kept.sqlite")
    damage(shop, "DROP TABLE entries")
    (shop.folder / "kept.sqlite").unlink()
    assert WHICH.search(shop.run("study", "show", STUDY).errors[0])[2]
    (note,) = shop.folder.glob(".*.backup")
    for text in ("", "[]", "{", '{"at": 3, "copy": "/x"}', '{"at": "2030-01-01T00:00:00+00:00", "copy": "/a\\nb"}'):
        note.write_text(text)
        answer = shop.run("study", "show", STUDY)
        assert (answer.code, len(answer.errors)) == (2, 1)
        assert "last backup; none is known here (doe book backup PATH makes one of a sound book)" in answer.err


def test_a_backup_that_is_not_sound_is_none_to_go_back_to(shop_with):
    shop = shop_with(1)
    shop.good("book", "backup", "kept.sqlite")
    damage(shop, "UPDATE entries SET value = '{'")
    assert shop.run("book", "backup", "unsound.sqlite").code == 1
    assert "unsound" not in shop.run("study", "show", STUDY).err
    assert "kept.sqlite" in shop.run("study", "show", STUDY).err


def test_after_an_upgrade_the_copy_of_the_older_book_is_the_last_backup(empty_shop):
    shop = empty_shop
    older = Path(__file__).parents[1] / "book" / "book_of_schema_0005.sql"
    with closing(sqlite3.connect(shop.book)) as connection:
        connection.executescript(older.read_text(encoding="utf-8"))
    kept = shop.good("book", "upgrade", "--json").json["copy"]
    damage(shop, "DROP TABLE acts")
    assert kept in shop.run("book", "audit").err


@pytest.mark.parametrize("change", DAMAGES)
def test_damage_is_found_by_check_and_named_by_the_others(shop_with, change):
    shop = shop_with(1)
    damage(shop, change)
    found = shop.run("book", "check")
    assert (found.code, found.err) == (1, "")
    said = 0
    for words in COMMANDS:
        answer = shop.run(*words)
        assert answer.code in (0, 2), (words, answer.err)
        if answer.code == 2 and "a sound book" in answer.err:
            said += 1
            assert len(answer.errors) == 1
            assert "go back to the last backup" in answer.err
    assert said or change in ("DROP TABLE seals", "UPDATE acts SET at = 'yesterday'", "UPDATE lines SET data = 'null'")


def test_a_number_of_the_format_that_is_none_is_damage(shop_with):
    shop = shop_with(1)
    with shop.book.open("r+b") as file:
        file.seek(47)  # the schema format number, 1 to 4 in all that SQLite ever wrote
        file.write(b"\x09")
    assert "go back to the last backup" in shop.run("study", "list").err
    assert shop.run("book", "check").code == 1


def test_a_letter_changed_anywhere_in_the_file_is_never_our_mistake(shop_with):
    rng = random.Random(31)
    shop = shop_with(1)
    whole = shop.book.read_bytes()
    found = 0
    for _ in range(25):
        changed, at = bytearray(whole), rng.sample(range(100, len(whole)), 4)
        for letter in at:
            changed[letter] ^= 1 << rng.randrange(8)
        shop.book.write_bytes(changed)
        for words in (("book", "check"), ("study", "show", STUDY)):
            answer = shop.run(*words)
            assert answer.code in (0, 1, 2), (at, words, answer.err)
            found += words == ("book", "check") and answer.code > 0
    assert found > 5, "nearly every change fell on empty pages: this shows little"


@pytest.mark.parametrize("words", [("book", "check"), ("study", "show", STUDY)], ids=" ".join)
def test_a_message_of_the_database_that_is_no_text_is_damage_too(shop_with, words):
    """SQLite quotes what it cannot read of its own tables; bytes of that need not be text."""
    shop = shop_with(1)
    with closing(sqlite3.connect(shop.book)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
    there = shop.book.read_bytes()
    at = there.index(b"BEFORE")
    shop.book.write_bytes(there[: at + 2] + b"\xcc" + there[at + 3 :])
    found = shop.run(*words)
    assert found.code == (1 if words == ("book", "check") else 2), (found.code, found.err)
    assert len(found.errors) <= 1
    assert "damaged" in found.out + found.err
