"""What a fit is made from, as a sum that tells whether it changed."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

import pandas as pd

from doe.acts.study.earlier import Prior, prior_of
from doe.acts.study.rounds import results_to_learn_from
from doe.book.records import StudyRecord
from doe.domain.jsonable import jsonable
from doe.domain.serial import to_plain
from doe.domain.study import Study

if TYPE_CHECKING:
    from doe.book.book import Book

_HASHED = ("coupon", "passed", "side", "round", "cure_batch", "press_batch", "garment", "cure_order", "press_order")


def inputs_hash(study: Study, results: pd.DataFrame, prior: Prior | None = None) -> str:
    """SHA-256 over a study and its scored coupons: the same facts give the same text, whatever their order.

    Coupons that still wait change nothing in a fit, so they are left out. Earlier coupons count as they were kept,
    with their discount.
    """
    columns = sorted(
        c for c in results.columns if c in (*_HASHED, *study.factor_names) or str(c).startswith(("actual_", "hand_"))
    )
    scored = results.loc[results["passed"].notna(), columns].sort_values("coupon")
    rows = jsonable(scored.to_dict("records"))
    facts: dict[str, Any] = {"study": to_plain(study), "results": rows}
    if prior is not None and prior.is_used:
        facts["prior"] = {"hash": prior.hash, "discount": prior.discount}
    text = json.dumps(facts, sort_keys=True, ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def hash_now(book: Book, record: StudyRecord) -> str:
    """Sum of what a study's fit would be made from as things stand now."""
    return inputs_hash(record.study, results_to_learn_from(book, record.id), prior_of(book, record))
