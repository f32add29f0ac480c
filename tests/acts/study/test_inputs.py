"""The sum over what a fit is made from is the same with and without a frame."""

from __future__ import annotations

import pytest

from doe.acts.base import RECOMMEND
from doe.acts.study.inputs import hash_now, inputs_hash
from doe.acts.study.rounds import results_to_learn_from
from doe.book.book import Book
from doe.domain.plan_kinds import CONFIRM
from doe.domain.score import ScoreEntry
from tests.book.samples import fill, make_plan
from tests.postgres import Place

SCORES = [
    ScoreEntry("R1-01", checks={"release": True}, hand={"ana": 3, "bo": 4.5}),
    ScoreEntry("R1-02", checks={"release": False}, symptoms=("dull",), actual={"dwell": 11}),
    ScoreEntry("R1-03", checks={"release": False}, side="over", void_reason="dropped"),
    ScoreEntry("R1-04", hand={"ana": 2}),
]


@pytest.mark.parametrize("kind", ["follow-up", CONFIRM])
@pytest.mark.parametrize("laid", ["all", "some", "none"])
def test_the_sum_of_a_study_is_that_of_its_frame(place: Place, kind: str, laid: str) -> None:
    with Book.open(place(), who="Ina") as book:
        fill(book)
        more = make_plan(3, number=2).astype({"cure_batch": object, "garment": object})
        if laid == "some":  # numbers beside nothing are decimal in a frame
            more.loc[1, ["cure_batch", "garment"]] = None
        elif laid == "none":
            more = more.drop(columns=["cure_batch", "garment", "press_order"])
        book.save_round(1, more, kind=kind, seed=2)
        last = str(more["coupon"].iloc[-1])
        book.record(1, [*SCORES, ScoreEntry(last, checks={"release": True}, hand={"cy": 5})])
        record = book.study(1)
        assert hash_now(book, record) == inputs_hash(record.study, results_to_learn_from(book, 1))
        before = hash_now(book, record)
        book.record(1, [ScoreEntry("R1-01", hand={"ana": 3.5})], why="felt again")
        assert hash_now(book, record) != before


def test_grades_are_part_of_the_sum_only_where_they_are_given(place: Place) -> None:
    with Book.open(place(), who="Ina") as book:
        fill(book)
        record = book.study(1)
        book.record(1, SCORES)
        plain = hash_now(book, record)
        frame = results_to_learn_from(book, 1)
        assert inputs_hash(record.study, frame.drop(columns="grade")) == plain  # as it was before anybody graded
        book.record(1, [ScoreEntry("R1-01", grade="just")])
        graded = hash_now(book, record)
        assert graded != plain
        assert graded == inputs_hash(record.study, results_to_learn_from(book, 1))
        book.record(1, [ScoreEntry("R1-01", cleared=("grade",))], why="wrong coupon")
        assert hash_now(book, record) == plain


def test_a_yes_to_the_handling_is_part_of_the_sum_also_beside_an_older_answer(place: Place) -> None:
    with Book.open(place(), who="Ina") as book:
        fill(book)
        record = book.study(1)
        book.record(1, SCORES)
        book.record(1, [ScoreEntry("R1-02", symptoms=("patchy_transfer",), side="under")], why="looked again")
        plain = hash_now(book, record)
        book.save_analysis(1, kind=RECOMMEND, inputs_hash=plain, seed=1, version="1", payload={})
        book.record(1, [ScoreEntry("R1-02", handled="yes")])
        assert hash_now(book, record) != plain
        assert hash_now(book, record) == inputs_hash(record.study, results_to_learn_from(book, 1))
        book.record(1, [ScoreEntry("R1-02", cleared=("handled",))], why="nobody looked")
        assert hash_now(book, record) == plain


def test_a_symptom_and_a_wash_to_come_change_the_sum_but_not_that_of_an_older_answer(place: Place) -> None:
    with Book.open(place(), who="Ina") as book:
        fill(book)
        record = book.study(1)
        book.record(1, SCORES)
        frame = results_to_learn_from(book, 1)
        older = inputs_hash(record.study, frame.drop(columns=["symptom", "wash"]))
        now = hash_now(book, record)
        assert now != older
        assert inputs_hash(record.study, frame.assign(symptom="")) != now
        assert inputs_hash(record.study, frame.assign(wash="")) != now
        assert inputs_hash(record.study, frame, kept={older}) == older  # kept by a version that did not ask for them
        book.save_analysis(1, kind=RECOMMEND, inputs_hash=older, seed=1, version="0.2.0", payload={})
        assert hash_now(book, record) == older


def test_a_check_before_the_wash_that_is_to_come_is_part_of_the_sum_until_it_is_scored(place: Place) -> None:
    # It keeps an answer from being ready, so the answer before it is not the answer after it.
    with Book.open(place(), who="Ina") as book:
        fill(book)
        record = book.study(1)
        late = [check.name for check in record.study.spec.checks if check.after_washes]
        early = [check.name for check in record.study.spec.checks if not check.after_washes]
        book.record(1, [ScoreEntry("R1-01", checks=dict.fromkeys([early[0], *late], True))])
        before = hash_now(book, record)
        assert before == inputs_hash(record.study, results_to_learn_from(book, 1))
        assert inputs_hash(record.study, results_to_learn_from(book, 1), kept={before}) == before
        book.record(1, [ScoreEntry("R1-01", checks=dict.fromkeys(early[1:], True))])
        assert hash_now(book, record) != before
        assert hash_now(book, record) == inputs_hash(record.study, results_to_learn_from(book, 1))


def test_a_check_that_is_open_beside_a_wash_is_part_of_the_sum_but_not_of_that_of_an_older_answer(place: Place) -> None:
    with Book.open(place(), who="Ina") as book:
        fill(book)
        record = book.study(1)
        early = [check.name for check in record.study.spec.checks if not check.after_washes]
        book.record(1, [ScoreEntry("R1-01", checks={early[0]: True})])
        both, frame = hash_now(book, record), results_to_learn_from(book, 1)
        assert both == inputs_hash(record.study, frame)
        book.record(1, [ScoreEntry("R1-01", checks=dict.fromkeys(early[1:], True))])
        wash = hash_now(book, record)
        assert wash != both
        # a version that counted the wash alone had the same sum before and after
        assert inputs_hash(record.study, frame, kept={wash}) == wash
