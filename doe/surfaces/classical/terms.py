"""Model terms over coded factors: which columns a fitted model has, and what they are called."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from doe.surfaces.classical.confounding import Floats

TermsKind = Literal["main", "interactions", "quadratic", "factorial"]
CONSTANT = "constant"


@dataclass(frozen=True)
class ModelTerms:
    """An ordered list of terms, each a product of powers of the coded factors.

    Parameters
    ----------
    factors : tuple of str
        Factor names, k of them, in the column order of the coded array.
    exponents : tuple of tuple of int
        One row of k exponents a term, 0 to 2; a row of zeros is the constant.
    """

    factors: tuple[str, ...]
    exponents: tuple[tuple[int, ...], ...]

    def __len__(self) -> int:
        return len(self.exponents)

    @property
    def names(self) -> tuple[str, ...]:
        """Readable names, such as ``"cure_temp × dwell"`` or ``"dwell²"``."""
        return tuple(
            " × ".join(f + ("²" if power == 2 else "") for f, power in zip(self.factors, row, strict=True) if power)
            or CONSTANT
            for row in self.exponents
        )

    def matrix(self, coded: ArrayLike) -> Floats:
        """Model matrix, shape (coupons, terms), of coded settings, shape (coupons, factors)."""
        settings = np.atleast_2d(np.asarray(coded, dtype=float))
        powers = np.asarray(self.exponents, dtype=int)
        # (coupons, 1, factors) ** (1, terms, factors), multiplied over the factors
        return np.asarray(np.prod(settings[:, None, :] ** powers[None, :, :], axis=2))


def build_terms(factors: Sequence[str], kind: TermsKind) -> ModelTerms:
    """Terms of one of the usual models, hierarchical, constant first.

    Parameters
    ----------
    factors : sequence of str
        Factor names, k of them.
    kind : {"main", "interactions", "quadratic", "factorial"}
        Main effects; main effects and two-factor interactions; these and pure squares;
        or all 2**k products of different factors.

    Returns
    -------
    ModelTerms

    Examples
    --------
    >>> build_terms(["cure_temp", "dwell"], "quadratic").names
    ('constant', 'cure_temp', 'dwell', 'cure_temp × dwell', 'cure_temp²', 'dwell²')
    """
    k = len(factors)
    degree = {"main": 1, "interactions": 2, "quadratic": 2, "factorial": k}[kind]
    rows = [
        tuple(int(i in chosen) for i in range(k))
        for size in range(degree + 1)
        for chosen in combinations(range(k), size)
    ]
    if kind == "quadratic":
        rows += [tuple(2 * int(i == j) for j in range(k)) for i in range(k)]
    return ModelTerms(tuple(factors), tuple(rows))
