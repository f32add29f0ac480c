"""Finished studies of a line count in another one where somebody asks for it, and the book says which."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from doe.acts.base import SHOP
from doe.acts.study.fits import fit_of, recommend_study
from doe.acts.study.inputs import hash_now
from doe.acts.study.shop import finished_studies, shop_of, take_shop
from doe.book.book import Book
from doe.domain.errors import InputError
from doe.domain.score import ScoreEntry
from doe.words.study.setpoint import said
from tests.book.samples import fill

CHECKS = ("release", "stretch", "wash_1", "wash_5")


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Book]:
    """A book with three studies on one line; the first two are scored."""
    monkeypatch.setattr("doe.acts.study.shop.LEAST_COUPONS", 6)
    with Book.open(tmp_path / "shop.sqlite", who="Ina") as opened:
        for name in ("old powder", "older powder", "new powder"):
            study = fill(opened, name, coupons=6)
            if name != "new powder":
                score(opened, study, 6)
        yield opened


def score(book: Book, study: int, coupons: int) -> None:
    """Every third coupon locks the film, the others pass everything."""
    good = {"checks": dict.fromkeys(CHECKS, True), "hand": {"ana": 4.0}}
    bad = {"checks": {"release": False}, "symptoms": ("film_lock",), "side": "over"}
    entries = [ScoreEntry(f"R1-{i + 1:02d}", **(bad if i % 3 == 2 else good)) for i in range(coupons)]
    book.record(study, entries)


def test_only_finished_studies_of_the_line_lend(book: Book) -> None:
    record = book.study("new powder")
    assert finished_studies(book, record) == ()  # scored, and never answered
    with pytest.raises(InputError, match="no other finished study on this line"):
        take_shop(book, "new powder", wanted=True)
    assert book.latest_analysis("new powder", SHOP) is None
    assert take_shop(book, "new powder", wanted=False) == ()
    recommend_study(book, "old powder")
    assert [other.name for other in finished_studies(book, record)] == ["old powder"]
    assert finished_studies(book, book.study("old powder")) == ()


def test_what_the_shop_lends_is_kept_is_said_and_is_part_of_the_sum(book: Book) -> None:
    recommend_study(book, "old powder")
    recommend_study(book, "older powder")
    score(book, book.study("new powder").id, 6)
    record = book.study("new powder")
    alone = fit_of(book, record, None, None)
    assert take_shop(book, "new powder", wanted=True) == ("old powder", "older powder")
    lent = fit_of(book, record, None, None)
    assert lent.hash != alone.hash
    assert lent.hash == hash_now(book, record)
    assert lent.surfaces.xi is not None
    assert alone.surfaces.xi is not None
    assert not np.array_equal(lent.surfaces.xi, alone.surfaces.xi)
    (counted,) = (fact for fact in lent.surfaces.warnings if fact.code == "shop_counted")
    assert "(old powder and older powder)" in said(record.study, [counted])[0]
    history = shop_of(book, record)
    assert history is not None
    assert (history.washes.held, history.washes.failed) == (8, 0)
    # a later correction elsewhere changes nothing here, and the same is kept once
    book.record("old powder", [ScoreEntry("R1-01", checks={"release": False}, symptoms=("film_lock",))], why="looked")
    assert shop_of(book, record) == history
    assert hash_now(book, record) == lent.hash
    again = fit_of(book, record, None, None)
    assert np.array_equal(again.surfaces.xi, lent.surfaces.xi)
    assert take_shop(book, "new powder", wanted=False) == ()
    assert shop_of(book, record) is None
    assert hash_now(book, record) == alone.hash
    without = fit_of(book, record, None, None)
    assert np.array_equal(without.surfaces.xi, alone.surfaces.xi)
