"""What a fit is made from, as a sum that tells whether it changed."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import TYPE_CHECKING, Any

from doe.acts.base import PRIOR, RECOMMEND, digest
from doe.acts.study.rounds import columns_to_learn_from
from doe.book.records import StudyRecord
from doe.domain.jsonable import jsonable
from doe.domain.outcome import WAITING
from doe.domain.serial import to_plain
from doe.domain.study import Study

if TYPE_CHECKING:
    import pandas as pd

    from doe.acts.study.earlier import Prior
    from doe.book.book import Book

_HASHED = ("coupon", "passed", "side", "round", "cure_batch", "press_batch", "garment", "cure_order", "press_order")


def inputs_hash(study: Study, results: pd.DataFrame, prior: Prior | None = None, *, kept: Collection[str] = ()) -> str:
    """SHA-256 over a study and its scored coupons: the same facts give the same text, whatever their order.

    Coupons that still wait change nothing in a fit, so they are left out. Earlier coupons count as they were kept,
    with their discount. ``kept`` are the sums of answers in the book: one of an older version, for which symptoms and
    washes to come made no difference beyond pass and side, is the sum still.
    """
    earlier = {"hash": prior.hash, "discount": prior.discount} if prior is not None and prior.is_used else None
    return _known_sum(study, results.loc[results["passed"].notna()].to_dict("records"), earlier, kept)


def hash_now(book: Book, record: StudyRecord) -> str:
    """Sum of what a study's fit would be made from as things stand now."""
    kept = book.latest_analysis(record.id, PRIOR)
    prior = None if kept is None else kept.payload
    used = prior is not None and prior["discount"] > 0 and prior["results"]["rows"]
    earlier = {"hash": prior["hash"], "discount": prior["discount"]} if prior is not None and used else None
    columns = columns_to_learn_from(book, record.id)
    rows = [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]
    scored = [row for row in rows if row["passed"] is not None and not row["void"]]
    return _known_sum(record.as_made, scored, earlier, {a.inputs_hash for a in book.analyses(record.id, RECOMMEND)})


def _known_sum(
    study: Study, scored: list[dict[Any, Any]], earlier: Mapping[str, Any] | None, kept: Collection[str]
) -> str:
    older = _sum(study, scored, earlier, {*_HASHED, "grade"})
    return older if older in kept else _sum(study, scored, earlier, {*_HASHED, "grade", "symptom", "wash"})


def _sum(
    study: Study, scored: Iterable[Mapping[Any, Any]], earlier: Mapping[str, Any] | None, known: Collection[str]
) -> str:
    known = {*known, *study.factor_names}
    rows = [
        {
            name: value
            for name, value in row.items()
            if (name in known or str(name).startswith(("actual_", "hand_"))) and not _says_nothing(name, value)
        }
        for row in sorted(scored, key=lambda row: str(row["coupon"]))
    ]
    facts: dict[str, Any] = {"study": to_plain(study), "results": jsonable(rows)}
    if earlier is not None:
        facts["prior"] = earlier
    return digest(facts)


def _says_nothing(name: object, value: object) -> bool:
    """What was not given is left out, so that a study without it has the sum it had before anybody could give it."""
    return (name in ("grade", "symptom") and not value) or (name == "wash" and value != WAITING)
