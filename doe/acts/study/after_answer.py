"""What to do with an answer that stands: the part of the next step that looks at results."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import pandas as pd

from doe.acts.answers import answer_from
from doe.acts.study.counts import ScoreCounts
from doe.acts.study.inputs import hash_now
from doe.acts.study.next_step import NextStep
from doe.acts.study.rounds import results_to_learn_from
from doe.book.records import AnalysisRecord, StudyRecord
from doe.setpoint.answer import Answer
from doe.words.study.answer import scores_first

if TYPE_CHECKING:
    from doe.book.book import Book


def standing_answer(
    book: Book, record: StudyRecord, kept: Sequence[AnalysisRecord]
) -> tuple[Answer, pd.DataFrame] | None:
    """The newest of the kept answers that is one to the results as they are now, with these; None without one."""
    now = hash_now(book, record)
    mine = [a for a in kept if a.inputs_hash == now]
    return (answer_from(mine[-1].payload), results_to_learn_from(book, record.id)) if mine else None


def after_answer(answer: Answer, counts: ScoreCounts, results: pd.DataFrame) -> tuple[NextStep, ...]:
    """What to do with an answer, the most urgent first; ``results`` as the answer was fitted to."""
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
