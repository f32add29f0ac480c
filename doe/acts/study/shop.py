"""What the finished studies of a line lend to another one, from when somebody asks for it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from doe.acts.base import SHOP, Key, digest, usual_seed, version
from doe.acts.study.earlier import prior_of
from doe.acts.study.inputs import shop_sum
from doe.acts.study.rounds import is_comparison, results_to_learn_from, score_counts
from doe.acts.study.standing import answer_now
from doe.acts.study.symptom_points import with_points
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.domain.errors import InputError
from doe.domain.jsonable import jsonable
from doe.surfaces.learning import learn_shop
from doe.surfaces.shop import ShopHistory, TraitEvidence
from doe.surfaces.washing import Washes

LEAST_COUPONS = 12
"""Scored coupons from which a study says something of its line."""


def finished_studies(book: Book, record: StudyRecord) -> tuple[StudyRecord, ...]:
    """Studies on the line of another one that may lend to it, oldest first.

    Finished: every coupon is scored, `LEAST_COUPONS` of them or more, and they were answered. No comparison, nothing
    that was archived, and not the study whose coupons count here already.
    """
    prior = prior_of(book, record)
    retuned = prior.study if prior is not None and prior.is_used else ""
    found = []
    for summary in reversed(book.studies()):
        if summary.id == record.id or summary.name == retuned or summary.line != record.line.name:
            continue
        if is_comparison(book, summary.id):
            continue
        counts, other = score_counts(book, summary.id), book.study(summary.id)
        if counts.scored >= LEAST_COUPONS and not counts.waiting and answer_now(book, other) is not None:
            found.append(other)
    return tuple(found)


def take_shop(book: Book, key: Key, *, wanted: bool) -> tuple[str, ...]:
    """Let the finished studies of the line count in a study from now on, or no longer; returns their names.

    They count as they are now: a later correction of them changes nothing here until this is asked again.

    Raises
    ------
    InputError
        If there is none.
    """
    record = book.study(key)
    others = finished_studies(book, record) if wanted else ()
    if wanted and not others:
        raise InputError(
            "--shop",
            "no other finished study on this line",
            f"a study with {LEAST_COUPONS} scored coupons or more, none waiting, and an answer",
            "Leave it out: this study speaks for itself.",
        )
    if not wanted and shop_of(book, record) is None:
        return ()
    made = [(other.study, with_points(results_to_learn_from(book, other.id))) for other in others]
    history = learn_shop(made, seed=usual_seed(record.first_name))
    payload: dict[str, Any] = jsonable(history)
    book.save_analysis(
        record.id,
        kind=SHOP,
        inputs_hash=digest(payload),
        seed=usual_seed(record.first_name),
        version=version(),
        payload=payload,
    )
    return history.studies


def shop_of(book: Book, record: StudyRecord) -> ShopHistory | None:
    """What the shop lends to a study; None where nobody asked for it."""
    kept = book.latest_analysis(record.id, SHOP)
    return None if kept is None or not shop_sum(kept) else _history(kept.payload)


def _history(plain: Mapping[str, Any]) -> ShopHistory:
    def row(values: Any) -> Any:
        return tuple(map(row, values)) if isinstance(values, list) else values

    evidence = tuple(TraitEvidence(**{name: row(value) for name, value in one.items()}) for one in plain["evidence"])
    return ShopHistory(tuple(plain["studies"]), evidence, Washes(**plain["washes"]))
