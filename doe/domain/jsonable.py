"""Plain data: what JSON takes of a result, and the tables that ship with the tool, in `templates/tables`.

Apart from `serial`, which knows every domain object: start-up must not pay for those.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from functools import cache
from importlib.resources import files
from pathlib import PurePath
from typing import Any, TypeVar

Row = TypeVar("Row")


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


def named(thing: object, *names: str) -> dict[str, Any]:
    """Some of what a thing holds, by name."""
    return {name: getattr(thing, name) for name in names}


@cache
def packaged_table(name: str) -> Mapping[str, Any]:
    """What a table holds, by its name without the ending; read once."""
    return tomllib.loads(files("doe.templates").joinpath("tables", f"{name}.toml").read_text(encoding="utf-8"))


def rows(kind: type[Row], plain: Iterable[Mapping[str, Any]]) -> tuple[Row, ...]:
    """Rows of a table as values of a dataclass; its lists become tuples."""
    return tuple(kind(**{name: tuple(v) if isinstance(v, list) else v for name, v in row.items()}) for row in plain)
