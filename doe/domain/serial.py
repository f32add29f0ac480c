"""Domain objects to plain dictionaries and back, for the book and for JSON."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from datetime import date
from functools import cache, partial
from types import NoneType
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

from doe.domain.factors import LEFT_OUT_WHEN_NONE
from doe.domain.finding import Finding, finding_of
from doe.domain.recipe import Recipe
from doe.domain.stack import Line, Stack
from doe.domain.study import Study

Kind = TypeVar("Kind")


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


def from_plain(kind: type[Kind], data: Mapping[str, Any]) -> Kind:
    """The dataclass of that kind of which `to_plain` made a dictionary, its times as ISO text.

    What a later version may have added is left out; what an older one did not have yet keeps its default.
    """
    hints = _hints(kind)  # type: ignore[arg-type] # mypy takes a generic class for no key
    return kind(**{name: _value(hints[name], value) for name, value in dict(data).items() if name in hints})


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _value(kind: Any, plain: Any) -> Any:
    """A value of a field, by what the field is declared to hold."""
    if plain is None:
        return math.nan if kind is float else None
    read = _reader(kind)
    return plain if read is None else read(plain)


@cache
def _reader(kind: Any) -> Callable[[Any], Any] | None:
    """How a value that is declared as of this kind is read; None where it stays as it is."""
    parts = [part for part in get_args(kind) if part is not NoneType]
    if NoneType in get_args(kind) and len(parts) == 1:
        return _reader(parts[0])
    if Finding in (kind, *parts):
        return finding_of
    if get_origin(kind) is tuple:
        return lambda plain: tuple(_value(parts[0], part) for part in plain)
    if get_origin(kind) is Mapping:
        return lambda plain: {name: _value(parts[1], part) for name, part in dict(plain).items()}
    if is_dataclass(kind):
        return partial(from_plain, kind)  # type: ignore[arg-type] # a class
    return kind.fromisoformat if isinstance(kind, type) and issubclass(kind, date) else None


study_from = partial(from_plain, Study)
stack_from = partial(from_plain, Stack)
line_from = partial(from_plain, Line)
recipe_from = partial(from_plain, Recipe)
