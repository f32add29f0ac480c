"""Plans are appended round by round and come back as they were saved."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from doe.book.book import Book
from doe.domain.errors import InputError, InputErrors
from doe.domain.factors import usual_factor
from doe.domain.finding import Finding
from doe.domain.stack import Line
from doe.domain.study import Study
from tests.book.samples import STACK, fill, make_plan

S = "first article"


def test_a_plan_comes_back_as_it_was_saved(book: Book) -> None:
    assert_frame_equal(book.plan_coupons(S), make_plan())


def test_odd_settings_come_back_to_the_last_digit(book: Book) -> None:
    plan = make_plan(number=2)
    plan["cure_temp"] = [0.1 + 0.2, 1 / 3 + 120, np.nextafter(140, 0), 110.00000000000001]
    book.save_round(S, plan, kind="chosen", seed=1)
    assert list(book.plan_coupons(S)["cure_temp"][4:]) == list(plan["cure_temp"])


def test_levels_and_columns_of_its_own_come_back(book: Book) -> None:
    factors = (*(usual_factor(name) for name in ("cure_temp", "dwell")), usual_factor("peel_mode"))
    book.save_stack(STACK)
    book.save_line(Line("line 1"))
    study_id = book.add_study(Study("peel", factors), stack="blank A", line="line 1")
    plan = make_plan(3)
    plan.insert(3, "peel_mode", ["hot", "cold", "hot"])
    plan["place on the platen"] = ["left", None, "right"]
    plan["stroke"] = [1.0, np.nan, 2.0]
    book.save_round(study_id, plan, kind="half", seed=1)
    back = book.plan_coupons(study_id)
    assert list(back["peel_mode"]) == ["hot", "cold", "hot"]
    assert back["place on the platen"].isna().tolist() == [False, True, False]
    assert back["stroke"].isna().tolist() == [False, True, False]


def test_notes_come_back_as_facts_and_older_ones_as_sentences(book: Book) -> None:
    notes = (Finding("machine in batches", {"stage": "cure", "once": None, "sizes": (("dwell", 1.5),)}), "As it was.")
    book.save_round(S, make_plan(3, number=2), kind="follow-up", seed=9, notes=notes)
    assert book.plan_info(S).rounds[-1].notes == notes
    assert book.plan_info(S).notes == ("invented", *notes)


def test_a_new_round_is_appended_and_the_whole_plan_may_be_given(book: Book) -> None:
    second = make_plan(3, number=2)
    whole = pd.concat([make_plan(), second], ignore_index=True)
    assert book.save_round(S, whole, kind="follow-up", seed=9, notes=["closer in"]) == (2,)
    assert_frame_equal(book.plan_coupons(S), whole)
    assert book.save_round(S, whole, kind="follow-up", seed=9) == ()
    info = book.plan_info(S)
    assert [(r.round, r.kind, r.seed, r.coupons, r.notes) for r in info.rounds] == [
        (1, "full", 7, 4, ("invented",)),
        (2, "follow-up", 9, 3, ("closer in",)),
    ]
    assert (info.kind, info.seed, info.notes) == ("full", 7, ("invented", "closer in"))


def test_a_plan_without_round_is_the_next_one(book: Book) -> None:
    plan = make_plan(2, number=2)[["coupon", "cure_temp", "dwell"]]
    assert book.save_round(S, plan, kind="brought along", seed=0) == (2,)
    assert list(book.plan_coupons(S)["round"]) == [1, 1, 1, 1, 2, 2]


def test_a_stored_round_is_never_changed(book: Book) -> None:
    changed = make_plan()
    changed.loc[0, "dwell"] = 19.0
    changed.loc[1, "role"] = "face"
    with pytest.raises(InputErrors) as caught:
        book.save_round(S, changed, kind="full", seed=7)
    assert [p.found for p in caught.value.problems] == [
        "another settings than is stored",
        "another place than is stored",
    ]
    with pytest.raises(InputError, match="allowed: 2 for new coupons"):
        book.save_round(S, make_plan(5), kind="full", seed=7)
    assert_frame_equal(book.plan_coupons(S), make_plan())


def test_everything_wrong_with_a_plan_is_listed_and_nothing_is_stored(book: Book) -> None:
    plan = make_plan(4, number=2).astype({"dwell": object, "round": float})
    plan.loc[1, "coupon"] = "R2-01"
    plan.loc[2, "dwell"] = "long"
    plan.loc[3, "round"] = 1.5
    with pytest.raises(InputErrors) as caught:
        book.save_round(S, plan, kind="full", seed=1)
    assert [p.where for p in caught.value.problems] == [
        "plan, coupon R2-01",
        "plan, coupon R2-03, dwell",
        "plan, coupon R2-04, round",
    ]
    with pytest.raises(InputError, match="allowed: columns dwell"):
        book.save_round(S, make_plan(2, number=2).drop(columns="dwell"), kind="full", seed=1)
    with pytest.raises(InputError, match="found no coupons"):
        book.save_round(S, make_plan(0, number=2), kind="full", seed=1)
    assert len(book.plan_coupons(S)) == 4


def test_a_study_without_a_plan_has_an_empty_one(book: Book) -> None:
    study = Study("empty", (usual_factor("cure_temp"), usual_factor("dwell")))
    study_id = book.add_study(study, stack="blank A", line="line 1")
    assert len(book.plan_coupons(study_id)) == 0
    assert len(book.results(study_id)) == 0
    assert book.plan_info(study_id).rounds == ()


def test_coupons_of_one_study_say_nothing_about_another(book: Book) -> None:
    other = fill(book, "second article", coupons=2)
    assert len(book.plan_coupons(other)) == 2
    assert len(book.plan_coupons(S)) == 4
