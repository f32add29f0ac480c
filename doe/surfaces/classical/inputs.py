"""The one check every fit here makes of its arrays."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from doe.domain.errors import InputError

Floats = NDArray[np.float64]


def as_matrix(X: ArrayLike, names: Sequence[str] | None = None) -> tuple[Floats, tuple[str, ...]]:
    """A finite float matrix, shape (n, p), and one name a column (``x1``, ``x2`` ... if none given).

    Raises
    ------
    InputError
        If it is no such matrix, or there is not one name a column.
    """
    matrix = np.asarray(X, dtype=float)
    if matrix.ndim != 2:
        raise InputError(
            "model matrix",
            f"{matrix.ndim} dimensions",
            "2 (coupons, terms)",
            "Give one row a coupon and one column a term.",
        )
    columns = tuple(names) if names is not None else tuple(f"x{j + 1}" for j in range(matrix.shape[1]))
    if len(columns) != matrix.shape[1]:
        raise InputError(
            "names", f"{len(columns)} names", f"{matrix.shape[1]} (one a column)", "Name every column once."
        )
    _require_finite(matrix, "model matrix")
    return matrix, columns


def as_vector(y: ArrayLike, length: int, where: str) -> Floats:
    """A finite float vector, shape (length,).

    Raises
    ------
    InputError
        If it is no such vector.
    """
    vector = np.asarray(y, dtype=float)
    if vector.shape != (length,):
        raise InputError(where, f"shape {vector.shape}", f"({length},)", "Give one value a coupon.")
    _require_finite(vector, where)
    return vector


def check_assurance(assurance: float) -> None:
    """Refuse an assurance that is no probability strictly between 0 and 1.

    Raises
    ------
    InputError
        If it is not between 0 and 1.
    """
    if not 0 < assurance < 1:
        raise InputError("assurance", assurance, "between 0 and 1", "Write 95 % as 0.95.")


def _require_finite(values: Floats, where: str) -> None:
    """Refuse numbers that are none.

    Raises
    ------
    InputError
        If a number is missing or infinite, its row named.
    """
    bad = ~np.isfinite(values)
    if bad.any():
        row = int(np.argwhere(bad)[0][0]) + 1
        raise InputError(
            f"{where}, row {row}",
            values[bad][0],
            "finite numbers",
            "Leave coupons without a value out of this fit.",
        )
