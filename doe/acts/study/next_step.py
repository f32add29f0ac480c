"""What comes next for a study, decided in one place; commands and pages put it into words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from doe.acts.base import RECOMMEND, Key
from doe.acts.study.counts import score_counts
from doe.acts.study.limits import missing
from doe.acts.study.rounds import is_comparison, results_to_learn_from
from doe.domain.outcome import ScoreCounts
from doe.domain.plan_kinds import CONFIRM

if TYPE_CHECKING:
    import pandas as pd

    from doe.book.book import Book
    from doe.book.records import AnalysisRecord, StudyRecord
    from doe.setpoint.answer import Answer

Step = Literal[
    "limits", "plan", "make", "recommend", "washes", "feel", "score", "extend", "confirm", "compare", "report"
]


@dataclass(frozen=True)
class NextStep:
    """A step with what it is done to: coupons of the round to ``extend`` by, or the first coupon to ``feel``."""

    step: Step
    coupons: int = 0
    coupon: str = ""


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
    standing = _standing_answer(book, record, kept)
    if standing is None:
        return NextStep("recommend")
    answer, results = standing
    return after_answer(answer, counts, results)[0]


def _standing_answer(
    book: Book, record: StudyRecord, kept: Sequence[AnalysisRecord]
) -> tuple[Answer, pd.DataFrame] | None:
    """The newest of the kept answers that is one to the results as they are now, with these; None without one."""
    # only this is asked of frames: a study without an answer is shown without waiting for pandas
    from doe.acts.answers import answer_from  # noqa: PLC0415
    from doe.acts.study.earlier import hash_now  # noqa: PLC0415

    now = hash_now(book, record)
    mine = [a for a in kept if a.inputs_hash == now]
    return (answer_from(mine[-1].payload), results_to_learn_from(book, record.id)) if mine else None


def after_answer(answer: Answer, counts: ScoreCounts, results: pd.DataFrame) -> tuple[NextStep, ...]:
    """What to do with an answer, the most urgent first; ``results`` as the answer was fitted to."""
    from doe.words.study.answer import scores_first  # noqa: PLC0415 - as above

    steps = [NextStep("washes")] if counts.unfinished else []
    if scores_first(answer):
        passed = results.loc[results["passed"].eq(True), "coupon"]
        steps.append(NextStep("feel", coupon=str(passed.iloc[0])))
    elif answer.verdict == "more coupons":
        steps.append(
            NextStep("score") if counts.waiting else NextStep("extend", coupons=max(1, len(answer.next_coupons)))
        )
    elif answer.verdict == "ready":
        steps.append(NextStep("confirm"))
    return (*steps, NextStep("report"))
