"""Rules of confirmations as they are kept in the book: fixed before the coupons are made, never changed after."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from doe.acts.base import Key
from doe.assure.confirmation.attempts import ConfirmationPlan, ConfirmationVerdict, attempt_of
from doe.book.book import Book
from doe.book.records import AnalysisRecord
from doe.domain.jsonable import jsonable, named
from doe.domain.plan_kinds import CONFIRMATION_PLAN
from doe.domain.serial import from_plain

REPLACEMENT = "confirmation replacement"
"""Kind of the analysis that says which coupons a further round of the same confirmation stands in for."""


def plan_data(plan: ConfirmationPlan, *, gives_up: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """A rule as what JSON takes; ``gives_up`` names the attempt that it puts an end to, and why."""
    data: dict[str, Any] = jsonable(plan)
    for name in ("id", "made_at", "made_by", "given_up", "inputs_hash"):  # the book keeps these beside it
        del data[name]
    # the verdict is for lists of studies: until coupons are scored, this is how far it has come
    return data | {"gives_up": dict(gives_up) if gives_up else None, "verdict": "planned"}


def plans_of(book: Book, key: Key) -> tuple[ConfirmationPlan, ...]:
    """Every confirmation ever planned for a study, oldest first."""
    plans = book.analyses(key, CONFIRMATION_PLAN)
    ends = {a.payload["gives_up"]["attempt"]: str(a.payload["gives_up"]["why"]) for a in plans if a.payload["gives_up"]}
    further: dict[int, list[int]] = {}
    for a in book.analyses(key, REPLACEMENT):
        further.setdefault(int(a.payload["attempt"]), []).append(int(a.payload["round"]))
    return tuple(
        _plan_from(a, further.get(int(a.payload["attempt"]), ()), ends.get(a.payload["attempt"], "")) for a in plans
    )


def verdicts_of(book: Book, key: Key) -> tuple[tuple[int, ConfirmationVerdict], ...]:
    """Number and verdict of every confirmation of a study as it stands, oldest first."""
    plans = plans_of(book, key)
    if not plans:
        return ()
    study, frame = book.study(key).study, book.results(key, include_void=True)
    return tuple((plan.attempt, attempt_of(study, plan, frame).verdict) for plan in plans)


def _plan_from(kept: AnalysisRecord, further: Sequence[int], given_up: str) -> ConfirmationPlan:
    data = {
        **kept.payload,
        **named(kept, "id", "inputs_hash"),
        "points": pd.DataFrame(kept.payload["points"]),
        "rounds": (*kept.payload["rounds"], *further),
        "given_up": given_up,
    }
    return replace(from_plain(ConfirmationPlan, data), made_at=kept.made_at, made_by=kept.made_by)
