"""Analysis of variance of balanced split plots and strip plots, each source against its own error."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from doe.domain.errors import InputError
from doe.surfaces.classical.inputs import Floats, as_vector


@dataclass(frozen=True)
class BatchTable:
    """A variance table with several error lines, and the variances behind them.

    Attributes
    ----------
    table : DataFrame
        source, df, ss, ms, f, p, against: the error line each source is tested against (empty for
        error lines).
    variances : dict of str to float
        Moment estimates by grouping, ``coupon`` included. One below zero is reported as it comes: it
        says that the grouping shows no error.
    """

    table: pd.DataFrame
    variances: dict[str, float]


def analyse_split_plot(
    y: ArrayLike, whole: ArrayLike, batch: ArrayLike, sub: ArrayLike, *, names: Sequence[str]
) -> BatchTable:
    """Balanced split plot: `whole` is set once a batch, `sub` varies within it.

    Parameters
    ----------
    y, whole, batch, sub : array, shape (coupons,)
        Response, whole-plot setting, batch (whole plot) and within-batch setting. Every batch holds every
        level of `sub` once, and every level of `whole` has as many batches.
    names : sequence of three str
        What to call whole, batch and sub.

    Raises
    ------
    InputError
        If the table is not balanced; use `fit_mixed` then.

    References
    ----------
    Box, Hunter and Hunter (2005), *Statistics for Experimenters*, 2nd ed., ch. 9.
    """
    a, b, c = names
    cells = _Cells(as_vector(y, np.size(y), "response"), {a: whole, b: batch, c: sub})
    cells.require_balance([(b, c)], nested=[(b, a)])
    cells.require_balance([(a, c)])
    batches, coupons_in = cells.count(b), cells.count(c)
    wholes = cells.count(a)
    ss_a, ss_c, ss_ac = cells.ss(a), cells.ss(c), cells.ss(a, c)
    ss_b = cells.raw(b) - cells.raw(a)
    df_b = batches - wholes
    ss_e = cells.raw(b, c) - cells.raw(b) - cells.raw(a, c) + cells.raw(a)
    lines = [
        (a, wholes - 1, ss_a, f"{b} within {a}"),
        (f"{b} within {a}", df_b, ss_b, ""),
        (c, coupons_in - 1, ss_c, "coupon"),
        (f"{a} × {c}", (wholes - 1) * (coupons_in - 1), ss_ac, "coupon"),
        ("coupon", df_b * (coupons_in - 1), ss_e, ""),
    ]
    table = _table(lines)
    ms = table.set_index("source")["ms"]
    return BatchTable(
        table,
        {b: float((ms[f"{b} within {a}"] - ms["coupon"]) / coupons_in), "coupon": float(ms["coupon"])},
    )


def analyse_strip_plot(
    y: ArrayLike, replicate: ArrayLike, row: ArrayLike, column: ArrayLike, *, names: Sequence[str]
) -> BatchTable:
    """Balanced strip plot: in each replicate, every row setting crosses every column setting once.

    Parameters
    ----------
    y, replicate, row, column : array, shape (coupons,)
    names : sequence of three str
        What to call replicate, row setting and column setting.

    Raises
    ------
    InputError
        If the table is not balanced; use `fit_mixed` then.

    References
    ----------
    K. A. Gomez and A. A. Gomez (1984), *Statistical Procedures for Agricultural Research*, 2nd ed.,
    sec. 3.4.
    """
    r, a, b = names
    cells = _Cells(as_vector(y, np.size(y), "response"), {r: replicate, a: row, b: column})
    cells.require_balance([(r, a, b)])
    nr, na, nb = cells.count(r), cells.count(a), cells.count(b)
    error_a, error_b = f"{r} × {a}", f"{r} × {b}"
    lines = [
        (r, nr - 1, cells.ss(r), ""),
        (a, na - 1, cells.ss(a), error_a),
        (error_a, (nr - 1) * (na - 1), cells.ss(r, a), ""),
        (b, nb - 1, cells.ss(b), error_b),
        (error_b, (nr - 1) * (nb - 1), cells.ss(r, b), ""),
        (f"{a} × {b}", (na - 1) * (nb - 1), cells.ss(a, b), "coupon"),
        ("coupon", (nr - 1) * (na - 1) * (nb - 1), cells.ss(r, a, b), ""),
    ]
    table = _table(lines)
    ms = table.set_index("source")["ms"]
    coupon, ms_a, ms_b = float(ms["coupon"]), float(ms[error_a]), float(ms[error_b])
    return BatchTable(
        table,
        {
            r: (float(ms[r]) - ms_a - ms_b + coupon) / (na * nb),
            error_a: (ms_a - coupon) / nb,
            error_b: (ms_b - coupon) / na,
            "coupon": coupon,
        },
    )


class _Cells:
    """Sums of squares of a balanced table by cell means."""

    def __init__(self, y: Floats, factors: Mapping[str, ArrayLike]) -> None:
        if len(set(factors)) < 3:
            raise InputError("names", ", ".join(factors), "three different names", "Rename one of them.")
        self._y = y
        self._codes: dict[str, NDArray[np.intp]] = {}
        for name, values in factors.items():
            codes, _ = pd.factorize(pd.Series(np.asarray(values, dtype=object).reshape(-1)))
            if len(codes) != len(y) or (codes < 0).any():
                raise InputError(name, "missing labels", "one a coupon", "Give every coupon its label.")
            self._codes[name] = np.asarray(codes, dtype=np.intp)

    def count(self, name: str) -> int:
        return int(self._codes[name].max()) + 1

    def _cell(self, *names: str) -> NDArray[np.intp]:
        codes = [self._codes[name] for name in names]
        return np.ravel_multi_index(codes, [self.count(name) for name in names])

    def raw(self, *names: str) -> float:
        """Sum over cells of (cell total)² / cell size, less the correction for the mean."""
        mean = float(self._y.mean())
        if not names:
            return 0.0
        cell = self._cell(*names)
        sizes = np.bincount(cell)
        totals = np.bincount(cell, weights=self._y - mean)
        full = sizes > 0
        return float(np.sum(totals[full] ** 2 / sizes[full]))

    def ss(self, *names: str) -> float:
        """Sum of squares of an interaction (or main effect): raw sums, included and excluded in turn."""
        return sum(
            (-1.0 if (len(names) - size) % 2 else 1.0) * self.raw(*chosen)
            for size in range(len(names) + 1)
            for chosen in combinations(names, size)
        )

    def require_balance(self, crossings: Sequence[tuple[str, ...]], nested: Sequence[tuple[str, str]] = ()) -> None:
        for names in crossings:
            cells = int(np.prod([self.count(name) for name in names]))
            sizes = np.bincount(self._cell(*names), minlength=cells)
            if len(set(sizes.tolist())) != 1:
                raise InputError(
                    " × ".join(names),
                    f"{sizes.min()} to {sizes.max()} coupons a cell",
                    "the same number in every cell",
                    "Fit a mixed model instead.",
                )
            if len(names) == len(self._codes) and sizes[0] != 1:
                raise InputError(" × ".join(names), f"{sizes[0]} coupons a cell", "one", "Fit a mixed model instead.")
        for inner, outer in nested:
            pairs = len(np.unique(self._cell(inner, outer)))
            if pairs != self.count(inner):
                raise InputError(inner, f"several levels of {outer} in one", "one level", "Number the batches through.")
            batches, per_level = self.count(inner), len(self._y) // self.count(inner)
            sizes = np.bincount(self._codes[outer])
            if len(set(sizes.tolist())) != 1 or batches * per_level != len(self._y):
                raise InputError(outer, "uneven batches", "as many for every level", "Fit a mixed model instead.")


def _table(lines: Sequence[tuple[str, int, float, str]]) -> pd.DataFrame:
    table = pd.DataFrame(lines, columns=["source", "df", "ss", "against"])
    if (table["df"] < 1).any():
        bare = table.loc[table["df"] < 1, "source"].iloc[0]
        raise InputError(bare, "no degrees of freedom", "at least 1", "Repeat the whole plan at least once.")
    table["ms"] = table["ss"] / table["df"]
    error = table.set_index("source").reindex(table["against"])
    ms_error = error["ms"].to_numpy(dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        table["f"] = table["ms"].to_numpy(dtype=float) / ms_error
    table["p"] = stats.f.sf(table["f"], table["df"], error["df"].to_numpy(dtype=float))
    return table[["source", "df", "ss", "ms", "f", "p", "against"]]
