"""A round and the rule that its coupons are judged by come into the book together, or neither does."""

from __future__ import annotations

from typing import Any

import pytest

from doe.book.book import Book
from doe.domain.errors import InputError, InputErrors
from doe.domain.plan_kinds import CONFIRM, CONFIRMATION, CONFIRMATION_PLAN
from tests.book.samples import make_plan

S = "first article"
RULE: dict[str, Any] = {
    "kind": CONFIRMATION_PLAN,
    "inputs_hash": "abc",
    "seed": 7,
    "version": "1",
    "payload": {"units": 4},
}


def save(book: Book, *, number: int = 2, **changes: Any) -> int:
    return book.save_round_with(
        S, make_plan(number=number), round_kind=CONFIRM, scale="surface", notes=("Judges.",), **{**RULE, **changes}
    )


def test_both_are_stored(book: Book) -> None:
    kept = save(book)
    info = book.plan_info(S).rounds[-1]
    assert (info.round, info.kind, info.notes, info.seed) == (2, CONFIRM, ("Judges.",), 7)
    found = book.latest_analysis(S, CONFIRMATION_PLAN)
    assert found is not None
    assert (found.id, found.payload, found.inputs_hash) == (kept, {"units": 4}, "abc")


def test_a_rule_that_cannot_be_kept_leaves_no_coupons(book: Book) -> None:
    with pytest.raises(InputError, match="inputs hash"):
        save(book, inputs_hash=" ")
    with pytest.raises(TypeError):
        save(book, payload={"units": object()})
    assert len(book.plan_info(S).rounds) == 1
    assert len(book.plan_coupons(S)) == 4


def test_coupons_that_cannot_be_stored_leave_no_rule(book: Book) -> None:
    with pytest.raises(InputErrors, match="A round is never changed"):
        book.save_round_with(S, make_plan(6), round_kind=CONFIRM, scale="surface", notes=(), **RULE)
    # two people who plan the very same at the same moment: one of them is told
    with pytest.raises(InputError, match="Somebody else was faster"):
        save(book, number=1)
    assert book.latest_analysis(S, CONFIRMATION_PLAN) is None


def test_a_list_of_studies_counts_them_apart_and_says_whose_verdict_it_is(book: Book) -> None:
    save(book, payload={"units": 4, "verdict": "planned"})
    (listed,) = [s for s in book.studies() if s.name == S]
    assert (listed.coupons, listed.verdict) == (4, "confirmation planned")
    book.save_analysis(S, kind=CONFIRMATION, inputs_hash="d", seed=1, version="1", payload={"verdict": "accepted"})
    (listed,) = [s for s in book.studies() if s.name == S]
    assert listed.verdict == "confirmation accepted"
