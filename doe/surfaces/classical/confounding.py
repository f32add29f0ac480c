"""Which columns of a model matrix the coupons at hand cannot tell apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg.lapack import dgeqrf

from doe.domain.errors import InputError

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
    kept, dropped : arrays of int
        Column positions. A column is dropped when the columns before it explain it fully.
    weights : array, shape (kept, dropped)
        Each dropped column as a combination of the kept ones (the alias matrix).
    confoundings : tuple of Confounding
        The same in words, one a dropped column.
    """

    kept: NDArray[np.int_]
    dropped: NDArray[np.int_]
    weights: NDArray[np.float64]
    confoundings: tuple[Confounding, ...]

    def can_estimate(self, rows: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Whether each row, shape (m, terms), asks only for combinations the coupons determine."""
        implied = rows[:, self.kept] @ self.weights
        size = 1.0 + np.abs(rows).max(axis=1, initial=0.0)
        gap: NDArray[np.float64] = np.abs(rows[:, self.dropped] - implied).max(axis=1, initial=0.0)
        return np.asarray(gap <= 1e-6 * size, dtype=bool)


def all_separate(terms: int) -> Separable:
    """The usual case: every one of so many columns is kept."""
    return Separable(np.arange(terms), np.empty(0, dtype=int), np.zeros((terms, 0)), ())


def shows_all_separate(triangle: NDArray[np.float64]) -> bool:
    """Whether a QR factorisation shows that no column is nearly determined by those before it.

    Parameters
    ----------
    triangle : array, shape (min(coupons, terms), terms)
        Upper triangle R with zeros below.

    Notes
    -----
    What Gram-Schmidt leaves of a column is the diagonal of R, its whole length is that of the column of R.
    The margin is far beyond rounding, so False only means that `find_confounding` must look closely.
    """
    if len(triangle) < triangle.shape[1]:
        return False
    size = np.abs(triangle)
    length = np.sqrt(len(triangle)) * size.max(axis=0, initial=0.0)  # or more; no square that could overflow
    return bool((np.diagonal(size) > 1000 * _LEFT_OVER * length).all())


def find_confounding(X: ArrayLike, names: Sequence[str]) -> Separable:
    """Find the columns of a model matrix that earlier columns already determine.

    Columns are taken in their order, so that lower-order terms are kept before higher ones.

    Parameters
    ----------
    X : array, shape (n, p)
        Model matrix.
    names : sequence of str
        One name a column.

    Returns
    -------
    Separable

    Notes
    -----
    Gram-Schmidt with one repetition ("twice is enough", Giraud, Langou and Rozloznik 2005,
    *Numerische Mathematik* 101, 87-100), on columns scaled to length one.

    Examples
    --------
    >>> [str(c) for c in find_confounding([[1, 1], [2, 2]], ["dwell", "pressure"]).confoundings]
    ['These coupons cannot separate pressure from dwell.']
    """
    matrix = np.asarray(X, dtype=float)
    if matrix.ndim != 2 or matrix.shape[1] != len(names):
        raise InputError("model matrix", f"shape {matrix.shape}", f"(coupons, {len(names)})", "Give one name a column.")
    n, p = matrix.shape
    if p and n >= p and shows_all_separate(np.triu(dgeqrf(matrix)[0][:p])):
        return all_separate(p)
    length = np.linalg.norm(matrix, axis=0)
    basis = np.zeros((n, min(n, p)))
    kept: list[int] = []
    dropped: list[int] = []
    for j in range(p):
        rank = len(kept)
        left = matrix[:, j] / length[j] if length[j] > 0 else np.zeros(n)
        for _ in range(2):
            left = left - basis[:, :rank] @ (basis[:, :rank].T @ left)
        size = float(np.linalg.norm(left))
        if size > _LEFT_OVER and rank < n:
            basis[:, rank] = left / size
            kept.append(j)
        else:
            dropped.append(j)
    weights = np.zeros((len(kept), len(dropped)))
    if kept and dropped:
        weights = np.linalg.lstsq(matrix[:, kept], matrix[:, dropped], rcond=None)[0]
        weights[np.abs(weights) < 1e-9 * (1.0 + np.abs(weights).max())] = 0.0
    return Separable(
        kept=np.asarray(kept, dtype=int),
        dropped=np.asarray(dropped, dtype=int),
        weights=weights,
        confoundings=tuple(
            Confounding(
                term=names[j],
                others=tuple(names[i] for i, w in zip(kept, column, strict=True) if w != 0.0),
                weights=tuple(float(w) for w in column if w != 0.0),
            )
            for j, column in zip(dropped, weights.T, strict=True)
        ),
    )
