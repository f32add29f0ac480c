"""Tables that ship with the tool: catalogues, odds and texts in `templates/tables`, as TOML."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.resources import files
from typing import Any, TypeVar

Row = TypeVar("Row")


@cache
def packaged_table(name: str) -> Mapping[str, Any]:
    """What a table holds, by its name without the ending; read once."""
    return tomllib.loads(files("doe.templates").joinpath("tables", f"{name}.toml").read_text(encoding="utf-8"))


def rows(kind: type[Row], plain: Iterable[Mapping[str, Any]]) -> tuple[Row, ...]:
    """Rows of a table as values of a dataclass; its lists become tuples."""
    return tuple(kind(**{name: tuple(v) if isinstance(v, list) else v for name, v in row.items()}) for row in plain)
