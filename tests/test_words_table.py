"""The table of words in DEVELOPERS.md names what holds each of them."""

from __future__ import annotations

import importlib
from pathlib import Path

import pytest

TEXT = (Path(__file__).parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
MOST = 40


def rows() -> list[tuple[str, str, str]]:
    """Word, meaning and dotted name of every row of the table under the heading Words."""
    _, _, after = TEXT.partition("\n## Words\n")
    lines = [line for line in after.partition("\n## ")[0].splitlines() if line.startswith("|")]
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    assert cells[0] == ["word", "meaning", "where"]
    return [(word, meaning, where.strip("`")) for word, meaning, where in cells[2:]]


@pytest.mark.parametrize(("word", "where"), [(word, where) for word, _, where in rows()])
def test_what_holds_a_word_is_there(word: str, where: str) -> None:
    home, _, name = where.rpartition(".")
    assert hasattr(importlib.import_module(home), name), f"{word}: {where}"


def test_each_word_stands_once_with_its_meaning() -> None:
    words = [word for word, _, _ in rows()]
    assert 0 < len(words) <= MOST
    assert len(words) == len(set(words))
    assert all(meaning for _, meaning, _ in rows())
