"""Results: the latest entry of every field folded into one row a coupon."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.outcome import ACTUAL_PREFIX, HAND_PREFIX
from doe.domain.study import Study

Objects = NDArray[np.object_]


def fold(study: Study, plan: pd.DataFrame, values: Iterable[Any]) -> pd.DataFrame:
    """One row a coupon, void ones too, as `doe.book.scores.Scores.results` describes.

    ``values`` are the current value of every field that was ever scored: name of the coupon, field, value.
    """
    place = {name: i for i, name in enumerate(plan["coupon"])}
    said: dict[str, Objects] = {}  # one value a coupon in plan order, None if empty
    for coupon, field, value in values:
        said.setdefault(field, np.full(len(plan), None, dtype=object))[place[coupon]] = value
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
    return pd.DataFrame(columns)


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
