"""Results: the latest entry of every field folded into one row a coupon."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import sqlalchemy as sa
from numpy.typing import NDArray

from doe.book.history import is_current
from doe.book.rounds import frame_of
from doe.book.studies import Key, find
from doe.book.tables import coupons, entries
from doe.book.text import from_text
from doe.domain.outcome import ACTUAL_PREFIX, HAND_PREFIX
from doe.domain.serial import study_from

Objects = NDArray[np.object_]


def results(connection: sa.Connection, key: Key, *, include_void: bool) -> pd.DataFrame:
    """One row a coupon, as `doe.book.book.Book.results` describes."""
    row = find(connection, key)
    study = study_from(from_text(row.data))
    plan = frame_of(connection, key)
    said = _latest(connection, row.study_id, plan["coupon"].to_numpy(dtype=object))
    nothing = np.full(len(plan), None, dtype=object)
    checks = {f"check_{check.name}": said.get(f"check:{check.name}", nothing) for check in study.spec.checks}
    scored, failed = _scored_and_failed(list(checks.values()))
    # a coupon that passes everything has no side; one that failed for a reason nobody named is unknown
    side = np.where(failed, np.where(_texts(said, "side", nothing) == "", "unknown", _texts(said, "side", nothing)), "")
    columns: dict[str, Any] = {name: plan[name] for name in ("coupon", *study.factor_names)}
    columns |= _numbers(said, "actual:", ACTUAL_PREFIX)
    passed = np.full(len(plan), None, dtype=object)
    passed[scored] = ~failed[scored]
    columns["passed"] = passed
    columns["side"] = side.astype(str)
    columns |= _numbers(said, "hand:", HAND_PREFIX)
    columns |= {str(name): plan[name] for name in plan.columns if name not in columns}
    columns |= {name: pd.Series(values, dtype=object) for name, values in checks.items()}
    symptoms = ["; ".join(keys or ()) for keys in said.get("symptoms", nothing)]
    columns["symptom"] = pd.Series(symptoms, dtype=str)
    columns |= {name: _texts(said, name, nothing).astype(str) for name in ("note", "void")}
    frame = pd.DataFrame(columns)
    return frame if include_void else frame[frame["void"] == ""].reset_index(drop=True)


def _latest(connection: sa.Connection, study_id: int, names: Objects) -> dict[str, Objects]:
    """Current value of every field that was ever scored, by field: one value a coupon in plan order, None if empty."""
    query = (
        sa.select(coupons.c.name, entries.c.field, entries.c.value)
        .join(coupons, entries.c.coupon_id == coupons.c.id)
        .where(coupons.c.study_id == study_id, is_current(entries))
        .order_by(entries.c.field)
    )
    place = {name: i for i, name in enumerate(names)}
    said: dict[str, Objects] = {}
    for name, field, value in connection.execute(query):
        said.setdefault(field, np.full(len(names), None, dtype=object))[place[name]] = from_text(value)
    return said


def _texts(said: dict[str, Objects], field: str, nothing: Objects) -> Objects:
    values = said.get(field, nothing)
    return np.where(values == nothing, "", values)


def _numbers(said: dict[str, Objects], prefix: str, shown: str) -> dict[str, NDArray[np.float64]]:
    return {
        shown + field[len(prefix) :]: values.astype(float)  # None becomes NaN
        for field, values in said.items()
        if field.startswith(prefix)
    }


def _scored_and_failed(checks: list[Objects]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether any check is scored, and whether any is failed, shape (coupons,) each."""
    values = np.column_stack(checks)
    return np.asarray((values != None).any(axis=1)), np.asarray((values == False).any(axis=1))  # noqa: E711, E712
