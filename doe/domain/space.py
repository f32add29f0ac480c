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
from doe.domain.said import meant
from doe.domain.units import METRIC, Shown, parse_quantity

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
_CLAUSE = re.compile(r"^\s*([^<>=]*[^\s<>=])\s*(>=|<=|=|>|<)\s*(\S.*?)\s*$")


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
    def parse(cls, text: str, factors: Sequence[Factor], reason: str = "", shown: Shown = METRIC) -> Forbidden:
        """Read ``cure_temp >= 135 and cure_time >= 180``; bare numbers are in the reader's units.

        Raises
        ------
        InputError
            If a part is not a comparison, or names something that is not a factor of the study.
        """
        by_name = {f.name: f for f in factors}
        clauses = []
        for part in re.split(r"\band\b|,(?!\d)", text):
            match = _CLAUSE.match(part)
            if match is None:
                raise InputError(
                    "forbidden combination",
                    repr(part.strip()),
                    "comparisons joined by 'and'",
                    "Write it like: cure_temp >= 135 and cure_time >= 180.",
                )
            typed, compare, value = match[1], match[2], match[3]
            found = meant(typed, {f.name: (f.label,) for f in factors}, by_part=False)
            if len(found) != 1:
                raise InputError("forbidden combination", typed, ", ".join(by_name), "Use a factor of the study.")
            factor, name = by_name[found[0]], found[0]
            if factor.is_categorical:
                level = next((level for level in factor.levels if level.casefold() == value.casefold()), None)
                if level is None or compare != "=":
                    raise InputError(
                        f"forbidden combination, {name}",
                        f"{compare} {value}",
                        f"= one of {', '.join(factor.levels)}",
                        "Correct the level.",
                    )
                clauses.append(Clause(name, "=", level))
                continue
            where = f"forbidden combination, {name}"
            number = parse_quantity(value, factor.unit, where, default=shown.unit(factor.unit))
            clauses.append(Clause(name, compare, number))
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
