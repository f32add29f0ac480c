"""Separation: when settings split the scores so cleanly that maximum likelihood has no finite answer.

Ours, because `detect_separation` of firthmodels 0.8.2 does not say whether the separation is complete and names every
term that can move, not those that split the scores; nor does it know ordered scores. The programmes are SciPy's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import linprog

from doe.surfaces.classical.confounding import Floats

# A direction is scaled to entries within [-1, 1] on columns of unit size; below this it is solver noise.
_NOISE = 1e-6
CoefficientBox = list[tuple[float, float]]


@dataclass(frozen=True)
class Separation:
    """Whether some combination of terms splits passes from failures.

    Attributes
    ----------
    kind : {"none", "quasi-complete", "complete"}
        Complete: the combination splits them without exception. Quasi-complete: it never errs, but some
        coupons sit exactly on the split.
    terms : tuple of str
        Terms that do it with none to spare, lower-order terms preferred; the constant is not counted.
    """

    kind: Literal["none", "quasi-complete", "complete"]
    terms: tuple[str, ...] = ()

    def __str__(self) -> str:
        if self.kind == "none":
            return "No separation: maximum likelihood has a finite answer."
        how = (
            "split passes from failures without exception"
            if self.kind == "complete"
            else ("split passes from failures but for coupons on the very edge")
        )
        what = " and ".join(self.terms) if self.terms else "The constant alone"
        return (
            f"{self.kind.capitalize()} separation: {what} {how}, so ordinary logistic regression "
            "has no finite answer for this combination."
        )


def find_separation(X: ArrayLike, passed: ArrayLike, names: Sequence[str]) -> Separation:
    """Look for complete or quasi-complete separation in pass/fail data.

    Parameters
    ----------
    X : array, shape (coupons, terms)
        Model matrix of full column rank, the constant included.
    passed : array, shape (coupons,)
        1 for a pass, 0 for a failure.
    names : sequence of str

    Returns
    -------
    Separation

    References
    ----------
    A. Albert and J. A. Anderson (1984), *Biometrika* 71(1), 1-10, for the two kinds; K. Konis (2007),
    *Linear programming algorithms for detecting separated data in binary logistic regression models*,
    DPhil thesis, Oxford, for the linear programmes.

    Examples
    --------
    >>> found = find_separation([[1, 1], [1, 2], [1, 3], [1, 4]], [0, 0, 1, 1], ["constant", "dwell"])
    >>> found.kind, found.terms
    ('complete', ('dwell',))
    """
    matrix = np.asarray(X, dtype=float)
    signed = np.where(np.asarray(passed)[:, None] == 1, matrix, -matrix)
    return separate(signed, names, is_free=np.ptp(matrix, axis=0) == 0)


def separate(rows: Floats, names: Sequence[str], *, is_free: NDArray[np.bool_]) -> Separation:
    """Directions d with rows @ d >= 0 that are not zero everywhere.

    Parameters
    ----------
    rows : array, shape (m, p)
        One row a comparison the likelihood rewards; full column rank.
    names : sequence of str
    is_free : array of bool, shape (p,)
        Columns (constant, cut points) that always take part and are not named.
    """
    if not len(rows) or not len(names):
        return Separation("none")
    size = np.abs(rows).max(axis=0)
    size[size == 0] = 1.0
    scaled = np.unique(rows / size, axis=0)
    box = [(-1.0, 1.0)] * len(names)
    if _widest(scaled, box) is None:
        return Separation("none")
    complete = _with_margin(scaled, box) is not None
    search = _with_margin if complete else _widest
    # Drop every term that is not needed, the last (highest) first: what stays does it with nothing to spare.
    for j in reversed(np.flatnonzero(~is_free)):
        without = [*box[:j], (0.0, 0.0), *box[j + 1 :]]
        if search(scaled, without) is not None:
            box = without
    sparse = search(scaled, box)
    if sparse is None:
        raise AssertionError("a separating direction was found and then lost")
    used = np.abs(sparse) > _NOISE * np.abs(sparse).max(initial=1.0)
    return Separation(
        kind="complete" if complete else "quasi-complete",
        terms=tuple(name for name, u, free in zip(names, used, is_free, strict=True) if u and not free),
    )


def _widest(rows: Floats, box: CoefficientBox) -> Floats | None:
    """Direction negative on no row and positive on at least one, or None."""
    found = _solve(-rows.sum(axis=0), rows, box)
    return found if found is not None and rows.sum(axis=0) @ found > _NOISE else None


def _with_margin(rows: Floats, box: CoefficientBox) -> Floats | None:
    """Direction positive on every row, or None: the smallest row is pushed up as far as it goes."""
    p = rows.shape[1]
    found = _solve(np.append(np.zeros(p), -1.0), np.column_stack([rows, -np.ones(len(rows))]), [*box, (0.0, 1.0)])
    return found[:p] if found is not None and found[p] > _NOISE else None


def _solve(cost: Floats, rows: Floats, box: CoefficientBox) -> Floats | None:
    """Direction of least cost within the box that is negative on no row."""
    found = linprog(cost, A_ub=-rows, b_ub=np.zeros(len(rows)), bounds=box, method="highs")
    return np.asarray(found.x, dtype=np.float64) if found.status == 0 else None
