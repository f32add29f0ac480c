"""How far the scoring of a study has come."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from doe.acts.base import Key
from doe.acts.study.rounds import coupons_of_kind, results_to_learn_from
from doe.domain.plan_kinds import COMPARE, CONFIRM

if TYPE_CHECKING:
    import pandas as pd

    from doe.book.book import Book


@dataclass(frozen=True)
class ScoreCounts:
    """How far the scoring of a study has come. ``unfinished`` coupons have some but not all of their checks."""

    coupons: int
    scored: int
    passed: int
    unfinished: int
    void: int

    @property
    def waiting(self) -> int:
        """Coupons without any pass/fail result that are not void."""
        return self.coupons - self.scored - self.void

    @property
    def sentence(self) -> str:
        """The counts in a sentence."""
        if not self.coupons:
            return "No coupon is planned yet."
        parts = [f"{self.scored} of {self.coupons} coupons scored"]
        if self.scored:
            parts.append(f"{self.passed} passed so far, {self.scored - self.passed} failed")
        if self.unfinished:
            parts.append(f"{self.unfinished} still wait for a check (wash)")
        if self.void:
            parts.append(f"{self.void} void")
        return "; ".join(parts) + "."


def score_counts(book: Book, key: Key) -> ScoreCounts:
    """Counts of the coupons that a study learns from, confirmation coupons apart; of all coupons of a comparison."""
    if len(coupons_of_kind(book, key, COMPARE)):
        return counts_of(book.results(key, include_void=True))
    return counts_of(results_to_learn_from(book, key, include_void=True))


def confirmation_counts(book: Book, key: Key) -> ScoreCounts | None:
    """Counts of the confirmation coupons of a study, of every attempt; None when none is planned."""
    names = set(coupons_of_kind(book, key, CONFIRM)["coupon"])
    if not names:
        return None
    frame = book.results(key, include_void=True)
    return counts_of(frame[frame["coupon"].isin(names)])


def counts_of(frame: pd.DataFrame) -> ScoreCounts:
    """Counts of coupons as `doe.book.Book.results` gives them, void ones included."""
    void = frame["void"].astype(bool)
    scored = frame["passed"].notna() & ~void
    good = frame["passed"].eq(True) & scored
    checks = [c for c in frame.columns if c.startswith("check_")]
    open_checks = frame[checks].isna().any(axis=1) & good
    return ScoreCounts(len(frame), int(scored.sum()), int(good.sum()), int(open_checks.sum()), int(void.sum()))
