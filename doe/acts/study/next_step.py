"""What comes next for a study, decided in one place; commands and pages put it into words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from doe.acts.base import RECOMMEND, Key
from doe.acts.study.inputs import hash_now
from doe.acts.study.limits import missing
from doe.acts.study.rounds import is_comparison, score_counts
from doe.book.book import Book
from doe.domain.outcome import ScoreCounts
from doe.domain.plan_kinds import CONFIRM, JUDGING

SearchStep = Literal[
    "limits",
    "plan",
    "make",
    "recommend",
    "washes",
    "feel",
    "score",
    "extend",
    "confirm",
    "compare",
    "report",
]
"""What `next_step` names."""

Step = Literal[SearchStep, "make_again", "confirmation_page", "release"]
"""Those of a confirmation are among them."""


@dataclass(frozen=True)
class NextStep:
    """A step with what it is done to.

    ``coupons`` of the round to ``extend`` by, the first ``coupon`` to ``feel``, the ``round`` to ``make`` (0: last).
    """

    step: Step
    coupons: int = 0
    coupon: str = ""
    round: int = 0


def next_step(book: Book, key: Key) -> NextStep:
    """The step that usually comes next for a study as it stands in the book."""
    record = book.study(key)
    if missing(record.study):
        return NextStep("limits")
    counts, rounds = score_counts(book, record.id), book.plan_info(record.id).rounds
    if not rounds:
        return NextStep("plan")
    if rounds[-1].kind == CONFIRM:
        return NextStep("confirm")
    if not counts.scored:
        return NextStep("make")
    if is_comparison(book, record.id):
        return NextStep("compare")
    kept = book.analyses(record.id, RECOMMEND)
    if not kept:
        return NextStep("recommend")
    now = hash_now(book, record)
    standing = [a.payload for a in kept if a.inputs_hash == now]
    if not standing:
        return NextStep("recommend")
    answer = standing[-1]
    states = (coupon for coupon in book.coupon_states(record.id) if coupon.kind not in JUDGING and not coupon.void)
    passed = (coupon.coupon for coupon in states if coupon.passed)
    asked, felt = len(answer["next_coupons"]["rows"]), answer["hand"] is not None
    spent = any(isinstance(limit, dict) and limit["code"] == "budget_used" for limit in answer["limits_on_certainty"])
    return steps_after(answer["verdict"], asked, felt=felt, passed=next(passed, ""), counts=counts, spent=spent)[0]


def steps_after(
    verdict: str, asked: int, *, felt: bool, passed: str, counts: ScoreCounts, spent: bool = False
) -> tuple[NextStep, ...]:
    """What to do with an answer, the most urgent first; it is not read whole, which would wait for pandas.

    ``asked`` are the coupons it asks for, ``felt`` says whether it knows hand-feel, ``passed`` is the first coupon
    that passed, ``spent`` that a search step by step has made all its coupons.
    """
    steps = [NextStep("washes")] if counts.unfinished else []
    if spent:
        return (*steps, NextStep("report"))
    if verdict == "more coupons" and not felt and not asked:
        steps.append(NextStep("feel", coupon=passed))
    elif verdict == "more coupons":
        steps.append(NextStep("score") if counts.waiting else NextStep("extend", coupons=max(1, asked)))
    elif verdict == "ready":
        steps.append(NextStep("confirm"))
    return (*steps, NextStep("report"))
