"""How far the scoring of a study has come."""

from __future__ import annotations

from collections.abc import Iterable

from doe.acts.base import Key
from doe.book.book import Book
from doe.book.records import CouponState
from doe.domain.outcome import ScoreCounts
from doe.domain.plan_kinds import COMPARE, CONFIRM, JUDGING


def score_counts(book: Book, key: Key) -> ScoreCounts:
    """Counts of the coupons that a study learns from, confirmation coupons apart; of all coupons of a comparison."""
    states = book.coupon_states(key)
    compares = any(coupon.kind == COMPARE for coupon in states)
    return _count(coupon for coupon in states if compares or coupon.kind not in JUDGING)


def confirmation_counts(book: Book, key: Key) -> ScoreCounts | None:
    """Counts of the confirmation coupons of a study, of every attempt; None when none is planned."""
    counts = _count(coupon for coupon in book.coupon_states(key) if coupon.kind == CONFIRM)
    return counts if counts.coupons else None


def _count(coupons: Iterable[CouponState]) -> ScoreCounts:
    states = tuple(coupons)
    scored = [coupon for coupon in states if coupon.passed is not None and not coupon.void]
    good = [coupon for coupon in scored if coupon.passed]
    unfinished = sum(coupon.unfinished for coupon in good)
    return ScoreCounts(len(states), len(scored), len(good), unfinished, sum(coupon.void for coupon in states))
