"""What comes next for a study, decided in one place; commands and pages put it into words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from doe.acts.base import RECOMMEND, Key
from doe.acts.study.counts import score_counts
from doe.acts.study.limits import missing
from doe.acts.study.rounds import is_comparison
from doe.domain.plan_kinds import CONFIRM

if TYPE_CHECKING:
    from doe.book.book import Book

Step = Literal[
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
    "make again",
    "confirmation page",
    "release",
]


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
    kept = [a for a in book.analyses(record.id) if a.kind == RECOMMEND]
    if not kept:
        return NextStep("recommend")
    # only whether an answer still stands is asked of frames: a study without one is shown without waiting for pandas
    from doe.acts.study.after_answer import after_answer, standing_answer  # noqa: PLC0415

    standing = standing_answer(book, record, kept)
    if standing is None:
        return NextStep("recommend")
    answer, results = standing
    return after_answer(answer, counts, results)[0]
