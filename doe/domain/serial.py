"""Domain objects to plain dictionaries and back, for the book and for JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from typing import Any

from doe.domain.factors import LEFT_OUT_WHEN_NONE, Factor
from doe.domain.limits import Limits
from doe.domain.recipe import ConfirmationRecord, Recipe, RecipeSetting
from doe.domain.space import Clause, Forbidden
from doe.domain.spec import Check, Spec
from doe.domain.stack import Line, Machine, Material, Stack
from doe.domain.study import Study


def to_plain(thing: Any) -> Any:
    """Dataclasses, tuples and mappings as dictionaries and lists that JSON takes; NaN becomes None."""
    if is_dataclass(thing) and not isinstance(thing, type):
        kept = [
            f.name
            for f in fields(thing)
            if f.name != "_" and not (f.metadata.get(LEFT_OUT_WHEN_NONE) and getattr(thing, f.name) is None)
        ]
        return {name: to_plain(getattr(thing, name)) for name in kept}
    if isinstance(thing, Mapping):
        return {str(key): to_plain(value) for key, value in thing.items()}
    if isinstance(thing, (tuple, list)):
        return [to_plain(value) for value in thing]
    if isinstance(thing, float) and not math.isfinite(thing):
        return None
    return thing


def study_from(data: Mapping[str, Any]) -> Study:
    """Study of a dictionary that `to_plain` made."""
    return Study(
        name=data["name"],
        factors=tuple(_factor(f) for f in data["factors"]),
        spec=_spec(data["spec"]),
        limits=None if data["limits"] is None else Limits(**data["limits"]),
        forbidden=tuple(
            Forbidden(tuple(Clause(**clause) for clause in f["clauses"]), f["reason"]) for f in data["forbidden"]
        ),
        held=dict(data["held"]),
        coupons_per_garment=data.get("coupons_per_garment"),
    )


def _factor(data: Mapping[str, Any]) -> Factor:
    values = dict(data)
    values["levels"] = tuple(values["levels"])
    for end in ("low", "high"):
        values[end] = math.nan if values[end] is None else values[end]
    return Factor(**values)


def _spec(data: Mapping[str, Any]) -> Spec:
    return Spec(**{**data, "checks": tuple(Check(**check) for check in data["checks"])})


def stack_from(data: Mapping[str, Any]) -> Stack:
    """Stack of a dictionary that `to_plain` made."""
    materials = {
        part: None if data[part] is None else Material(**data[part]) for part in ("fabric", "film", "powder", "ink")
    }
    return Stack(name=data["name"], dyed_polyester=data["dyed_polyester"], **materials)  # type: ignore[arg-type] # only ink may be None


def line_from(data: Mapping[str, Any]) -> Line:
    """Line of a dictionary that `to_plain` made."""
    return Line(**{**data, "oven": Machine(**data["oven"]), "press": Machine(**data["press"])})


def recipe_from(data: Mapping[str, Any]) -> Recipe:
    """Recipe of a dictionary that `to_plain` made, with its times as ISO text."""

    def moment(text: str | None) -> datetime | None:
        return None if text is None else datetime.fromisoformat(text)

    confirmed = data["confirmation"]
    if confirmed is not None:
        confirmed = ConfirmationRecord(**{**confirmed, "judged_at": moment(confirmed["judged_at"])})
    values = {
        **data,
        "stack": stack_from(data["stack"]),
        "line": line_from(data["line"]),
        "settings": tuple(RecipeSetting(**setting) for setting in data["settings"]),
        "confirmation": confirmed,
        "approved_at": moment(data["approved_at"]),
        "retired_at": moment(data["retired_at"]),
        "review_on": date.fromisoformat(data["review_on"]),
        "handling": tuple(data["handling"]),
        "voids": tuple(data["voids"]),
        "held": dict(data["held"]),
    }
    return Recipe(**values)
