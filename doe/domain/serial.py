"""Domain objects to plain dictionaries and back, for the book and for JSON."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from pathlib import PurePath
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
            f.name for f in fields(thing)
            if f.name != "_" and not (f.metadata.get(LEFT_OUT_WHEN_NONE) and getattr(thing, f.name) is None)
        ]  # fmt: skip
        return {name: to_plain(getattr(thing, name)) for name in kept}
    if isinstance(thing, Mapping):
        return {str(key): to_plain(value) for key, value in thing.items()}
    if isinstance(thing, (tuple, list)):
        return [to_plain(value) for value in thing]
    if isinstance(thing, float) and not math.isfinite(thing):
        return None
    return thing


def jsonable(thing: Any) -> Any:
    """Anything a result holds as what JSON takes: frames become rows, times ISO text, NaN null."""
    if isinstance(thing, bool | int | float | str | None):
        return None if isinstance(thing, float) and not math.isfinite(thing) else thing
    if isinstance(thing, datetime | date | PurePath):
        text = thing.isoformat() if isinstance(thing, date) else str(thing)
        return None if text == "NaT" else text
    if is_dataclass(thing) and not isinstance(thing, type):
        return {f.name: jsonable(getattr(thing, f.name)) for f in fields(thing) if f.name != "_"}
    if isinstance(thing, Mapping):
        return {str(key): jsonable(value) for key, value in thing.items()}
    if hasattr(thing, "to_dict") and hasattr(thing, "columns"):  # a frame; pandas is not imported to ask
        labelled = thing.index.dtype.kind not in "iu"
        named = thing.rename_axis(thing.index.name or "factor").reset_index() if labelled else thing
        return [jsonable(row) for row in named.to_dict("records")]
    if hasattr(thing, "tolist"):  # NumPy arrays and scalars
        return jsonable(thing.tolist())
    if isinstance(thing, Iterable):
        return [jsonable(value) for value in thing]
    return None if str(thing) == "<NA>" else str(thing)


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
