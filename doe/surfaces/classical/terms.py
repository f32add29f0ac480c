"""Model terms over coded factors: which columns a fitted model has, and what they are called."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from doe.domain.errors import InputError

TermsKind = Literal["main", "interactions", "quadratic", "factorial"]
CONSTANT = "constant"
_SUPERSCRIPTS = str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹")


@dataclass(frozen=True)
class ModelTerms:
    """An ordered list of terms, each a product of powers of the coded factors.

    Parameters
    ----------
    factors : tuple of str
        Factor names, k of them, in the column order of the coded array.
    exponents : tuple of tuple of int
        One row of k exponents a term; a row of zeros is the constant.

    Raises
    ------
    InputError
        If a factor or a term is named twice.
    """

    factors: tuple[str, ...]
    exponents: tuple[tuple[int, ...], ...]

    def __post_init__(self) -> None:
        if len(set(self.factors)) != len(self.factors):
            raise InputError("factors", ", ".join(self.factors), "each name once", "Rename one of them.")
        if any(len(row) != len(self.factors) for row in self.exponents):
            raise AssertionError("every term needs one exponent a factor")
        if len(set(self.exponents)) != len(self.exponents):
            raise InputError("terms", ", ".join(self.names), "each term once", "Leave the repeated term out.")

    def __len__(self) -> int:
        return len(self.exponents)

    @property
    def names(self) -> tuple[str, ...]:
        """Readable names, such as ``"cure_temp × dwell"`` or ``"dwell²"``."""
        return tuple(name_term(self.factors, row) for row in self.exponents)

    @property
    def orders(self) -> tuple[int, ...]:
        """Total degree of each term: 0 constant, 1 main effect, 2 interaction or square."""
        return tuple(sum(row) for row in self.exponents)

    def index(self, name: str) -> int:
        """Position of a term by its readable name.

        Raises
        ------
        InputError
            If the model has no such term.
        """
        try:
            return self.names.index(name)
        except ValueError:
            raise InputError("term", name, ", ".join(self.names), "Pick one of the model's terms.") from None

    def matrix(self, coded: ArrayLike) -> NDArray[np.float64]:
        """Model matrix, shape (coupons, terms), of coded settings, shape (coupons, factors).

        Raises
        ------
        InputError
            If there is not one column a factor.
        """
        settings = np.atleast_2d(np.asarray(coded, dtype=float))
        if settings.shape[1] != len(self.factors):
            raise InputError(
                "coded settings",
                f"{settings.shape[1]} columns",
                f"{len(self.factors)} columns ({', '.join(self.factors)})",
                "Give one column a factor, in this order.",
            )
        powers = np.asarray(self.exponents, dtype=int).reshape(len(self.exponents), len(self.factors))
        # (coupons, 1, factors) ** (1, terms, factors), multiplied over the factors
        columns: NDArray[np.float64] = np.prod(settings[:, None, :] ** powers[None, :, :], axis=2)
        return columns

    def keep(self, names: Iterable[str]) -> ModelTerms:
        """The model reduced to the named terms, in this model's order."""
        wanted = {self.index(name) for name in names}
        return ModelTerms(self.factors, tuple(self.exponents[i] for i in sorted(wanted)))


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

    Raises
    ------
    InputError
        If there is no factor, one is named twice, or the kind is unknown.

    Examples
    --------
    >>> build_terms(["cure_temp", "dwell"], "quadratic").names
    ('constant', 'cure_temp', 'dwell', 'cure_temp × dwell', 'cure_temp²', 'dwell²')
    """
    k = len(factors)
    if k < 1:
        raise InputError("factors", "none", "at least one", "Name the factors of the model.")
    degree = {"main": 1, "interactions": 2, "quadratic": 2, "factorial": k}
    if kind not in degree:
        raise InputError("model", kind, ", ".join(degree), "Pick one of these models.")
    rows = [
        tuple(int(i in chosen) for i in range(k))
        for size in range(degree[kind] + 1)
        for chosen in combinations(range(k), size)
    ]
    if kind == "quadratic":
        rows += [tuple(2 * int(i == j) for j in range(k)) for i in range(k)]
    return ModelTerms(tuple(factors), tuple(rows))


def name_term(factors: Sequence[str], exponents: Sequence[int]) -> str:
    """Readable name of one term.

    Examples
    --------
    >>> name_term(["cure_temp", "dwell"], [1, 2])
    'cure_temp × dwell²'
    """
    parts = [
        name if power == 1 else name + str(power).translate(_SUPERSCRIPTS)
        for name, power in zip(factors, exponents, strict=True)
        if power
    ]
    return " × ".join(parts) if parts else CONSTANT
