"""Which columns of a model matrix the coupons at hand cannot tell apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# A column counts as explained by earlier ones when less than this share of its length is left over.
_LEFT_OVER = 1e-8


@dataclass(frozen=True)
class Confounding:
    """One term that is a fixed combination of other terms at the coupons' settings.

    Attributes
    ----------
    term : str
        The term left out of the fit.
    others : tuple of str
        The terms kept, whose estimates include it.
    weights : tuple of float
        `term` = sum of weights x `others` at every coupon.
    """

    term: str
    others: tuple[str, ...]
    weights: tuple[float, ...]

    def __str__(self) -> str:
        if not self.others:
            return f"These coupons say nothing about {self.term}: it is zero at every one of them."
        return f"These coupons cannot separate {self.term} from {' and '.join(self.others)}."


@dataclass(frozen=True)
class Separable:
    """Split of a model's columns into those the coupons can tell apart and those they cannot.

    Attributes
    ----------
    terms : list of str
        Names of the kept columns.
    kept, dropped : arrays of int
        Column positions. A column is dropped when the columns before it explain it fully.
    weights : array, shape (kept, dropped)
        Each dropped column as a combination of the kept ones (the alias matrix).
    confoundings : tuple of Confounding
        The same in words, one a dropped column.
    """

    terms: list[str]
    kept: NDArray[np.int_]
    dropped: NDArray[np.int_]
    weights: Floats
    confoundings: tuple[Confounding, ...]

    @property
    def notes(self) -> tuple[str, ...]:
        """What cannot be told apart, a sentence a dropped column."""
        return tuple(map(str, self.confoundings))


def find_confounding(X: ArrayLike, names: Sequence[str] | None = None) -> Separable:
    """Find the columns of a model matrix that earlier columns already determine.

    Columns are taken in their order, so that lower-order terms are kept before higher ones.

    Parameters
    ----------
    X : array, shape (n, p)
        Model matrix.
    names : sequence of str, optional
        One name a column; ``x1``, ``x2`` ... if none are given.

    Returns
    -------
    Separable

    Examples
    --------
    >>> find_confounding([[1, 1], [2, 2]], ["dwell", "pressure"]).notes
    ('These coupons cannot separate pressure from dwell.',)
    """
    matrix = np.asarray(X, dtype=float)
    columns = [f"x{j + 1}" for j in range(matrix.shape[1])] if names is None else names
    size = np.abs(matrix).max(axis=0, initial=0.0)
    scaled = matrix / np.where(size > 0, size, 1.0)
    kept: list[int] = []
    dropped: list[int] = []
    for j, column in enumerate(scaled.T):
        before = scaled[:, kept]
        left = column - before @ np.linalg.lstsq(before, column, rcond=None)[0] if kept else column
        is_new = len(kept) < len(matrix) and np.linalg.norm(left) > _LEFT_OVER * np.linalg.norm(column)
        (kept if is_new else dropped).append(j)
    weights = np.zeros((len(kept), len(dropped)))
    if kept and dropped:
        weights = np.linalg.lstsq(matrix[:, kept], matrix[:, dropped], rcond=None)[0]
        weights[np.abs(weights) < 1e-9 * (1.0 + np.abs(weights).max())] = 0.0
    return Separable(
        terms=[columns[j] for j in kept],
        kept=np.asarray(kept, dtype=int),
        dropped=np.asarray(dropped, dtype=int),
        weights=weights,
        confoundings=tuple(
            Confounding(
                term=columns[j],
                others=tuple(columns[i] for i, w in zip(kept, column, strict=True) if w != 0.0),
                weights=tuple(float(w) for w in column if w != 0.0),
            )
            for j, column in zip(dropped, weights.T, strict=True)
        ),
    )
