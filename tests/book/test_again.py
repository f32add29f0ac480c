"""Further looks at a coupon: kept beside its scores, never in their place."""

from __future__ import annotations

import pandas as pd
import pytest

from doe.domain.errors import InputError
from doe.domain.score import AgainField, ScoreEntry, SecondLook, again_field

STUDY = "first article"


def looks_of(book):
    return [(e.coupon, again_field(e.field), e.value, e.who) for e in book.history(STUDY) if again_field(e.field)]


def test_a_further_look_changes_no_result(book):
    name = book.plan_coupons(STUDY)["coupon"].iloc[0]
    book.record(STUDY, [ScoreEntry(name, checks={"release": True}, hand={"Ina": 4.0})], why="for the test")
    before = book.results(STUDY)
    assert book.record_again(STUDY, [SecondLook(name, "Ina", {"release": False}, 3.5)]) == 2
    pd.testing.assert_frame_equal(book.results(STUDY), before)
    assert looks_of(book) == [
        (name, AgainField(1, "Ina", "release"), False, "Ina"),
        (name, AgainField(1, "Ina", ""), 3.5, "Ina"),
    ]
    assert book.check() == []


def test_looks_are_counted_for_each_person(book):
    name = book.plan_coupons(STUDY)["coupon"].iloc[0]
    for _ in range(2):
        book.record_again(STUDY, [SecondLook(name, "Ina", {"release": True}), SecondLook(name, "Ben", {}, 2.0)])
    assert [(f.number, f.person) for _, f, _, _ in looks_of(book)] == [(1, "Ina"), (1, "Ben"), (2, "Ina"), (2, "Ben")]
    # a correction of the first score is still possible and leaves the looks alone
    book.record(STUDY, [ScoreEntry(name, note="seen again")], why="a word more")
    assert len(looks_of(book)) == 4


@pytest.mark.parametrize(
    ("look", "match"),
    [
        (SecondLook("R9-99", "Ina", {"release": True}), "no such coupon"),
        (SecondLook("", "Ina", {"release": True}), "coupon"),
        (SecondLook("R1-01", "Ina", {"shine": True}), "check"),
        (SecondLook("R1-01", "Ina", {}, 3.3), "half steps"),
        (SecondLook("R1-01", "Ina", {}, float("nan")), "half steps"),
        (SecondLook("R1-01", "Ina"), "nothing said"),
        (SecondLook("R1-01", "  ", {}, 3.0), "name of a person"),
        (SecondLook("R1-01", "I:na", {}, 3.0), "person|name"),
        (SecondLook("R1-01", "x" * 900, {}, 3.0), "characters|name"),
    ],
)
def test_what_cannot_be_a_look_is_refused_and_nothing_is_stored(book, look, match):
    good = SecondLook(book.plan_coupons(STUDY)["coupon"].iloc[1], "Ina", {"release": True})
    with pytest.raises(InputError, match=match):
        book.record_again(STUDY, [good, look])
    assert looks_of(book) == []


def test_the_same_coupon_twice_at_once_and_void_coupons_are_refused(book):
    names = list(book.plan_coupons(STUDY)["coupon"])
    with pytest.raises(InputError, match="twice"):
        book.record_again(STUDY, [SecondLook(names[0], "Ina", {}, 3.0)] * 2)
    book.record(STUDY, [ScoreEntry(names[1], void_reason="torn")])
    with pytest.raises(InputError, match="void"):
        book.record_again(STUDY, [SecondLook(names[1], "Ina", {}, 3.0)])


def test_looks_travel_with_an_export(book, tmp_path):
    from doe.book.book import Book

    book.record_again(STUDY, [SecondLook(book.plan_coupons(STUDY)["coupon"].iloc[0], "Zoë", {"release": True}, 4.5)])
    book.export(tmp_path / "all.zip")
    with Book.open(tmp_path / "other.sqlite", who="Ben") as other:
        other.import_(tmp_path / "all.zip")
        assert [look[1:3] for look in looks_of(other)] == [look[1:3] for look in looks_of(book)]
        assert other.check() == []
