"""A damaged book: `doe book check` answers with exit code 1, every other command with one line."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing

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

pytestmark = pytest.mark.in_file


def damage(shop, *changes):
    with closing(sqlite3.connect(shop.book)) as connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        for change in changes:
            connection.execute(change)
        connection.commit()


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
