"""What a part of the tool found out, before anybody puts it into words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

Value = str | int | float | bool | tuple["Value", ...] | None


@dataclass(frozen=True)
class Finding:
    """One thing found: a code, and the values that belong to it.

    Attributes
    ----------
    code : str
        What was found; each package lists its codes as a ``Literal``, and `doe.words` has a sentence for each.
    values : mapping
        Numbers in stored units, names of factors, machines and coupons; what the sentence is made of.
    """

    code: str
    values: Mapping[str, Value] = field(default_factory=dict, hash=False)

    def also(self, **values: Value) -> Finding:
        """The same with further values."""
        return replace(self, values={**self.values, **values})


def finding_of(plain: str | Mapping[str, Any]) -> Finding | str:
    """Finding of what JSON keeps of one; a text, as it was kept before there were facts, stays a text.

    Answers of older books keep the values beside the code.
    """
    if isinstance(plain, str):
        return plain
    values = plain["values"] if "values" in plain else {name: plain[name] for name in plain if name != "code"}
    return Finding(plain["code"], {name: _value(value) for name, value in values.items()})


def _value(plain: Any) -> Value:
    return tuple(_value(part) for part in plain) if isinstance(plain, list) else plain
