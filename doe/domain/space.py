"""Where a coupon may lie: forbidden combinations of settings."""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import reduce
from typing import TYPE_CHECKING, Any

from doe.domain.errors import InputError, plain
from doe.domain.factors import Factor
from doe.domain.units import parse_quantity

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

_COMPARE: dict[str, Callable[[Any, Any], Any]] = {
    ">=": operator.ge,
    "<=": operator.le,
    ">": operator.gt,
    "<": operator.lt,
    "=": operator.eq,
}
_CLAUSE = re.compile(r"^\s*([a-z][a-z0-9_]*)\s*(>=|<=|=|>|<)\s*(\S.*?)\s*$")


@dataclass(frozen=True)
class Clause:
    """One comparison, such as cure_temp >= 135 (value in the stored unit, or a level)."""

    factor: str
    compare: str
    value: float | str

    def __str__(self) -> str:
        value = self.value if isinstance(self.value, str) else plain(self.value)
        return f"{self.factor} {self.compare} {value}"


@dataclass(frozen=True)
class Forbidden:
    """Combination that must not be made: settings for which *every* clause is true."""

    clauses: tuple[Clause, ...]
    reason: str = ""

    def __str__(self) -> str:
        return " and ".join(str(clause) for clause in self.clauses)

    @classmethod
    def parse(cls, text: str, factors: Sequence[Factor], reason: str = "") -> Forbidden:
        """Read ``cure_temp >= 135 and cure_time >= 180``.

        Raises
        ------
        InputError
            If a part is not a comparison, or names something that is not a factor of the study.
        """
        by_name = {f.name: f for f in factors}
        clauses = []
        for part in re.split(r"\band\b|,", text):
            match = _CLAUSE.match(part)
            if match is None:
                raise InputError(
                    "forbidden combination",
                    repr(part.strip()),
                    "comparisons joined by 'and'",
                    "Write it like: cure_temp >= 135 and cure_time >= 180.",
                )
            name, compare, value = match[1], match[2], match[3]
            factor = by_name.get(name)
            if factor is None:
                raise InputError("forbidden combination", name, ", ".join(by_name), "Use a factor of the study.")
            if factor.is_categorical:
                if value not in factor.levels or compare != "=":
                    raise InputError(
                        f"forbidden combination, {name}",
                        f"{compare} {value}",
                        f"= one of {', '.join(factor.levels)}",
                        "Correct the level.",
                    )
                clauses.append(Clause(name, "=", value))
                continue
            clauses.append(Clause(name, compare, parse_quantity(value, factor.unit, f"forbidden combination, {name}")))
        return cls(tuple(clauses), reason)

    def matches(self, frame: pd.DataFrame) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Rows of a settings frame that this combination forbids, shape (rows,)."""
        hits = []
        for clause in self.clauses:
            column = frame[clause.factor].to_numpy()
            if not isinstance(clause.value, str):
                column = column.astype(float)
            hits.append(_COMPARE[clause.compare](column, clause.value).astype(bool))
        return reduce(operator.and_, hits)
