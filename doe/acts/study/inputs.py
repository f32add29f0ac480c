"""What a fit is made from, as a sum that tells whether it changed."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import TYPE_CHECKING, Any

from doe.acts.base import PRIOR, RECOMMEND, SHOP, digest
from doe.acts.study.rounds import columns_to_learn_from
from doe.book.records import AnalysisRecord, StudyRecord
from doe.domain.jsonable import jsonable
from doe.domain.outcome import CHECK_PREFIX, HANDLED_COLUMN, HANDLED_WELL, WAITING, is_open_at_press
from doe.domain.serial import to_plain
from doe.domain.study import Study

if TYPE_CHECKING:
    import pandas as pd

    from doe.acts.study.earlier import Prior
    from doe.book.book import Book

OPEN = "open"
"""Mark of a coupon in the sum: some check of it is still to come."""

_BATCHES = ("round", "cure_batch", "press_batch", "garment", "cure_order", "press_order")
_HASHED = ("coupon", "passed", "side", *_BATCHES, HANDLED_COLUMN)


def inputs_hash(
    study: Study,
    results: pd.DataFrame,
    prior: Prior | None = None,
    *,
    shop: str = "",
    kept: Collection[str] = (),
) -> str:
    """SHA-256 over a study and its scored coupons: the same facts give the same text, whatever their order.

    Coupons that still wait change nothing in a fit, so they are left out. Earlier coupons count as they were kept,
    with their discount, and what the shop lends by its own sum (`shop_sum`). ``kept`` are the sums of answers in the
    book: one of an older version, for which symptoms and washes to come, or other checks, made no difference beyond
    pass and side, is the sum still.
    """
    earlier = {"hash": prior.hash, "discount": prior.discount} if prior is not None and prior.is_used else None
    rows = results.loc[results["passed"].notna()].to_dict("records")
    return _known_sum(study, rows, _lent(earlier, shop), kept)


def shop_sum(kept: AnalysisRecord | None) -> str:
    """Sum of what the shop lends, as the book keeps it; empty where it lends nothing."""
    return kept.inputs_hash if kept is not None and kept.payload["studies"] else ""


def _lent(earlier: Mapping[str, Any] | None, shop: str) -> dict[str, Any]:
    """What is in the sum beside the study and its coupons."""
    lent: dict[str, Any] = {} if earlier is None else {"prior": earlier}
    return lent | {"shop": shop} if shop else lent


def hash_now(book: Book, record: StudyRecord) -> str:
    """Sum of what a study's fit would be made from as things stand now."""
    kept = book.latest_analysis(record.id, PRIOR)
    prior = None if kept is None else kept.payload
    used = prior is not None and prior["discount"] > 0 and prior["results"]["rows"]
    earlier = {"hash": prior["hash"], "discount": prior["discount"]} if prior is not None and used else None
    columns = columns_to_learn_from(book, record.id)
    rows = [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]
    scored = [row for row in rows if row["passed"] is not None and not row["void"]]
    lent = _lent(earlier, shop_sum(book.latest_analysis(record.id, SHOP)))
    return _known_sum(record.as_made, scored, lent, {a.inputs_hash for a in book.analyses(record.id, RECOMMEND)})


def _known_sum(study: Study, scored: list[dict[Any, Any]], lent: Mapping[str, Any], kept: Collection[str]) -> str:
    for known in ({*_HASHED, "grade"}, {*_HASHED, "grade", "symptom", "wash"}):
        older = _sum(study, scored, lent, known)
        if older in kept:
            return older
    known = {*_HASHED, "grade", "symptom", "wash", OPEN}
    is_open = [_is_open(row, study) for row in scored]
    alone = [found and row.get("wash") != WAITING for found, row in zip(is_open, scored, strict=True)]
    if alone != is_open:  # beside a wash to come an older version took no notice of it
        older = _sum(study, _marked(scored, alone), lent, known)
        if older in kept:
            return older
    return _sum(study, _marked(scored, is_open), lent, known)


def _marked(scored: Iterable[Mapping[Any, Any]], is_open: Iterable[bool]) -> list[dict[Any, Any]]:
    return [{**row, OPEN: found} for row, found in zip(scored, is_open, strict=True)]


def _sum(study: Study, scored: Iterable[Mapping[Any, Any]], lent: Mapping[str, Any], known: Collection[str]) -> str:
    known = {*known, *study.factor_names}
    rows = [
        {
            name: value
            for name, value in row.items()
            if (name in known or str(name).startswith(("actual_", "hand_"))) and not _says_nothing(name, value)
        }
        for row in sorted(scored, key=lambda row: str(row["coupon"]))
    ]
    return digest({"study": to_plain(study), "results": jsonable(rows), **lent})


def _says_nothing(name: object, value: object) -> bool:
    """What was not given is left out, so that a study without it has the sum it had before anybody could give it."""
    return (
        (name in ("grade", "symptom", OPEN) and not value)
        or (name == "wash" and value != WAITING)
        or (name == HANDLED_COLUMN and value != HANDLED_WELL)  # with a no it is the side that says so
    )


def _is_open(row: Mapping[Any, Any], study: Study) -> bool:
    """Whether a check other than a wash is still to come of a coupon that passes so far: nothing is ready before."""
    checks = study.spec.checks
    return "wash" in row and is_open_at_press(
        [row[CHECK_PREFIX + c.name] for c in checks], [c.is_later for c in checks]
    )
