"""Tables on a terminal: never wider than it, numbers whole, words broken only where they must be."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.cli.terminal_table import table_lines


@pytest.fixture(autouse=True)
def eighty_columns(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")


def test_a_small_table_is_as_wide_as_its_cells_with_numbers_to_the_right():
    lines = table_lines(("what", "n"), [("tee", "7"), ("heavy tee", "12")], is_right=(False, True))
    assert lines == ["what         n", "--------------", "tee          7", "heavy tee   12"]


def test_text_folds_between_words_and_numbers_stay_whole():
    lines = table_lines(("name", "count"), [("cold peel film " * 8, "1234567")], is_right=(False, True))
    assert max(map(len, lines)) <= 80
    assert len(lines) == 4
    assert lines[2].endswith("1234567")


def test_a_word_wider_than_its_column_is_broken_and_nothing_is_lost():
    (first, second) = table_lines(("name",), [("x" * 100,)], is_right=(False,))[2:]
    assert (len(first), len(second)) == (80, 20)


def test_wide_letters_count_twice_and_nothing_moves_the_cursor():
    lines = table_lines(("name", "n"), [("布" * 3, "1"), ("red\x1b[31m", "2")], is_right=(False, True))
    assert lines[2:] == ["布布布    1", "red[31m   2"]


@given(st.lists(st.tuples(st.text("ab c", max_size=60), st.text("ab c", max_size=60)), min_size=1, max_size=4))
def test_every_letter_is_shown_within_the_width(rows):
    lines = table_lines(("a", "b"), rows, is_right=(False, False))
    assert max(map(len, lines)) <= 80
    assert sum(line.count("c") for line in lines[2:]) == sum(cell.count("c") for row in rows for cell in row)
