"""Who did it, and why: kept with every act, so looked at like every text; and how levels of a factor are read."""

from __future__ import annotations

from pathlib import Path

import pytest

from doe.book.book import Book
from doe.book.sheets.cells import read_level
from doe.domain.errors import InputError
from doe.domain.factors import Factor
from doe.domain.stack import Line


@pytest.mark.parametrize("who", ["a\nb", "\x1b[31mred", "x" * 121])
def test_a_name_is_words_on_one_line(tmp_path: Path, who: str) -> None:
    with pytest.raises(InputError, match="who: found"):
        Book.open(tmp_path / "book.sqlite", who=who)
    assert not list(tmp_path.iterdir())


def test_a_reason_holds_nothing_a_terminal_obeys_and_nothing_is_half_written(tmp_path: Path) -> None:
    with Book.open(tmp_path / "book.sqlite", who="ina") as book:
        book.save_line(Line("line 1"))
        acts = book.audit(None)
        with pytest.raises(InputError, match=r"why: found .* U\+0007"):
            book.save_line(Line("line 1", gauge="strip"), why="ring\x07")
        assert book.audit(None) == acts
        assert book.line("line 1").gauge == ""
        assert book.check() == []


def test_levels_that_differ_by_a_point_are_two() -> None:
    mesh = Factor("mesh", levels=("1.5", "15"))
    assert (read_level("15", mesh, "cell"), read_level(" 1.5 ", mesh, "cell")) == ("15", "1.5")
    with pytest.raises(InputError, match=r"allowed: 1.5, 15"):
        read_level("1-5", mesh, "cell")
    assert read_level("HOT peel", Factor("film_type", levels=("hot-peel", "cold")), "cell") == "hot-peel"
