"""A study that begins with its coupons: all of it is stored, or none."""

from __future__ import annotations

import pytest

from doe.book.records import NewAnalysis, NewRound
from doe.domain.errors import InputError
from doe.domain.score import ScoreEntry
from doe.domain.stack import Material, Stack
from tests.book.samples import make_plan, make_study

STACK = Stack("another stack", Material("new tee"), Material("film"), Material("powder"))


def decided(**payload):
    return NewAnalysis("comparison plan", "abc", 1, "1.0", payload)


def test_stack_study_rounds_scores_and_analyses_come_in_together(book):
    line = book.lines()[0].name
    plan = make_plan(4)
    entry = ScoreEntry(str(plan["coupon"].iloc[0]), note="made before")
    number = book.begin_study(
        make_study("on another stack"),
        stack=STACK,
        line=line,
        rounds_made=[NewRound(plan, "compare", 5, ("a note",), (entry,))],
        analyses_made=[decided(margin=0.15)],
    )
    record = book.study(number)
    assert (record.name, record.stack) == ("on another stack", STACK)
    (made,) = book.plan_info(number).rounds
    assert (made.kind, made.seed, made.notes, made.coupons) == ("compare", 5, ("a note",), 4)
    assert book.results(number)["note"].iloc[0] == "made before"
    assert book.latest_analysis(number, "comparison plan").payload == {"margin": 0.15}
    assert book.check() == []


@pytest.mark.parametrize("bad", ["round", "score", "analysis"])
def test_nothing_is_left_behind_when_a_part_is_refused(book, bad):
    before = (book.stacks(), book.studies(), len(book.audit(None)))
    plan = make_plan(4)
    entries = (ScoreEntry("R9-99", note="no such coupon"),) if bad == "score" else ()
    with pytest.raises(InputError):
        book.begin_study(
            make_study("on another stack"),
            stack=STACK,
            line=book.lines()[0].name,
            rounds_made=[NewRound(plan.iloc[:0] if bad == "round" else plan, "compare", 5, (), entries)],
            analyses_made=[NewAnalysis("", "abc", 1, "1.0", {}) if bad == "analysis" else decided()],
        )
    assert (book.stacks(), book.studies(), len(book.audit(None))) == before
