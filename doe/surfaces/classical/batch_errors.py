"""One term judged where batches share errors: within batches, or with batch variances, never as if each coupon stood
alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from doe.surfaces.classical.confounding import find_confounding
from doe.surfaces.classical.inputs import Floats
from doe.surfaces.classical.least_squares import fit_least_squares
from doe.surfaces.classical.mixed import MixedFit, fit_mixed
from doe.surfaces.classical.terms import ModelTerms

Batches = Mapping[str, ArrayLike]

FEW = 3
"""Below so many spare batches a variance of batches is hardly known: a term is then judged within them if it can.

With two to spare, as in most of our own plans, Kenward and Roger's limits rest on about one degree of freedom: they
raise few false alarms and find next to nothing (150 simulated rounds of six plans).
"""

NO_SCATTER = "The coupons leave no scatter beside the settings to judge it by."

_LEAST_DF = 2  # t on one degree of freedom needs 13 standard errors: the mixed model cannot do worse


@dataclass(frozen=True)
class Judged:
    """One estimate beside batch errors.

    Attributes
    ----------
    estimate : float or None
        None where the coupons cannot tell the term from the others.
    low, high, p : float or None
        None where the coupons cannot judge it; `note` says why.
    f : float or None
        Of the test: the square of t.
    counted : tuple of str
        Groupings whose shared errors the interval counts or leaves out of the comparison.
    note : str
        How it was judged, a full sentence.
    """

    estimate: float | None
    low: float | None
    high: float | None
    p: float | None
    f: float | None
    counted: tuple[str, ...]
    note: str


def telling_batches(batches: Batches | None, rows: int) -> dict[str, pd.Series]:
    """Groupings that can share an error: more than one batch, and some batch with more than one coupon.

    A single batch moves all coupons alike; a batch of one coupon is part of that coupon's own error.
    """
    found = {}
    for name, values in (batches or {}).items():
        labels = pd.Series(np.asarray(values, dtype=object).reshape(-1))
        if 1 < labels.nunique() < rows:
            found[name] = labels
    return found


def judge_term(
    X: Floats,
    tested: Floats,
    y: Floats,
    names: Sequence[str],
    name: str,
    batches: Mapping[str, pd.Series],
    *,
    assurance: float,
) -> Judged:
    """Coefficient of one column beside a model and the errors that batches share.

    Parameters
    ----------
    X : array, shape (coupons, terms)
    tested : array, shape (coupons,)
    y : array, shape (coupons,)
    names : sequence of str
        Of the columns of X.
    name : str
        Of the tested column.
    batches : mapping of str to labels, from `telling_batches`
    assurance : float
        Of the two-sided interval.

    Notes
    -----
    Batches with fewer than `FEW` to spare are held fixed: the term is then judged within them, which no batch error
    touches, however large. Where that leaves nothing to judge by, and for all other batches, the mixed model judges:
    Kenward and Roger's standard error on Satterthwaite's degrees of freedom.
    """
    indicators = {g: np.asarray(pd.get_dummies(labels), dtype=float) for g, labels in batches.items()}
    everything = np.column_stack([X, tested])
    kept = find_confounding(everything, [*names, name])
    for confounding in kept.confoundings:
        if confounding.term == name:
            return Judged(None, None, None, None, None, (), str(confounding))
    rank = len(kept.kept)
    scarce = [g for g, z in indicators.items() if np.linalg.matrix_rank(np.column_stack([everything, z])) - rank < FEW]
    if scarce:
        inside = _judge_within(X, tested, y, indicators, scarce, batches, assurance)
        if inside is not None:
            return inside
    if len(y) <= rank:
        return Judged(None, None, None, None, None, (), "No coupon is left to estimate the error from.")
    fit = fit_mixed(everything, y, batches, [*names, name], assurance=assurance)
    contrast = np.eye(rank)[-1]
    unseen = fit.unseen_errors(contrast)
    if unseen:
        estimate = float(fit.estimates[-1])
        return Judged(estimate, None, None, None, None, (), f"It cannot be told from errors that {said(unseen)} share.")
    return _from_mixed(fit, f"Errors that {said(batches)} share are counted in", tuple(batches))


def _judge_within(
    X: Floats,
    tested: Floats,
    y: Floats,
    indicators: Mapping[str, Floats],
    scarce: Sequence[str],
    batches: Mapping[str, pd.Series],
    assurance: float,
) -> Judged | None:
    """Judged with the scarce batches as terms; None where they take the term or the coupons up."""
    fixed = np.column_stack([X, *(indicators[g] for g in scarce)])
    columns = [str(j) for j in range(fixed.shape[1])]
    fixed = fixed[:, find_confounding(fixed, columns).kept]
    whole = np.column_stack([fixed, tested])
    others = {g: labels for g, labels in batches.items() if g not in scarce}
    groups = np.column_stack([whole, *(indicators[g] for g in others)])
    rank = whole.shape[1]
    if np.linalg.matrix_rank(whole) < rank or len(y) - np.linalg.matrix_rank(groups) < _LEAST_DF:
        return None
    if find_confounding(whole, [*map(str, range(rank - 1)), "tested"]).confoundings:
        return None
    way = f"Judged within {said(scarce)}"
    if others:
        fit = fit_mixed(whole, y, others, assurance=assurance)
        if fit.unseen_errors(np.eye(rank)[-1]):
            return None
        return _from_mixed(fit, f"{way}; errors that {said(others)} share are counted in", tuple(batches))
    line = fit_least_squares(whole, y, assurance=assurance)
    row = line.coefficients.iloc[-1]
    return _judged(row, float(line.residual_df), way, tuple(batches))


def _from_mixed(fit: MixedFit, way: str, counted: tuple[str, ...]) -> Judged:
    row = fit.coefficients.iloc[-1]
    return _judged(row, float(row["df"]), way, counted)


def _judged(row: pd.Series, df: float, way: str, counted: tuple[str, ...]) -> Judged:
    estimate = float(row["estimate"])
    if not row["se"] > 0:
        return Judged(estimate, None, None, None, None, (), NO_SCATTER)
    note = f"{way}, on {df:.2g} degree{'' if f'{df:.2g}' == '1' else 's'} of freedom."
    return Judged(estimate, float(row["low"]), float(row["high"]), float(row["p"]), float(row["t"]) ** 2, counted, note)


def uncounted(batches: Batches | None) -> str:
    """What a sentence adds where no batch labels were given."""
    return "" if batches else "; errors that a whole batch shares are not counted"


def said(groupings: Sequence[str] | Mapping[str, object]) -> str:
    """Names of groupings for a sentence.

    Examples
    --------
    >>> said(["cure_batch", "press_batch"])
    'cure batches and press batches'
    """
    words = [name.replace("_", " ") for name in groupings]
    return " and ".join(f"{word}es" if word.endswith("batch") else word for word in words)


_ORDERS_LEAST_DF = 3  # coupons beyond terms and batches, without which a model is cut down


@dataclass(frozen=True)
class JudgedEffects:
    """Effects of a two-level plan beside batch errors.

    Attributes
    ----------
    table : DataFrame
        One row a term that could be fitted: term, effect, se, df, low, high, t, p; the last six are missing where the
        batch error in an effect cannot be told from it.
    unseen : tuple of str
        Groupings whose error is not counted in some interval; those effects have none.
    """

    table: pd.DataFrame
    unseen: tuple[str, ...]


def judge_effects(
    settings: Floats, y: Floats, terms: ModelTerms, batches: Mapping[str, pd.Series], *, assurance: float
) -> JudgedEffects | None:
    """Effects of a two-level plan by the mixed model; None where the coupons carry no such model.

    Parameters
    ----------
    settings : array, shape (coupons, factors)
        -1, 0 (centre coupons) and +1.
    y : array, shape (coupons,)
    terms : ModelTerms
        All of them are fitted if that leaves coupons to judge by, else those of two factors, else main effects.
    batches : mapping of str to labels, from `telling_batches`
    assurance : float
        Of each two-sided interval.

    Notes
    -----
    Centre coupons get a term of their own, so that curvature does not pass for batch error.
    """
    centre = (settings == 0).all(axis=1).astype(float)
    z = np.column_stack([np.asarray(pd.get_dummies(labels), dtype=float) for labels in batches.values()])
    for order in dict.fromkeys((max(terms.orders), 2, 1)):
        smaller = terms.keep([name for name, size in zip(terms.names, terms.orders, strict=True) if size <= order])
        X = np.column_stack([smaller.matrix(settings), centre]) if centre.any() else smaller.matrix(settings)
        if len(y) - np.linalg.matrix_rank(np.column_stack([X, z])) >= _ORDERS_LEAST_DF:
            break
    else:
        return None
    columns = [*smaller.names, "centre"][: X.shape[1]]
    fit = fit_mixed(X, y, batches, columns, assurance=assurance)
    if not np.any(fit.spread.variances):
        return None
    rows = fit.coefficients
    unseen = [fit.unseen_errors(row) for row in np.eye(len(rows))]
    table = rows.rename(columns={"estimate": "effect"})
    for column in ("effect", "se", "low", "high"):
        table[column] *= 2
    table.loc[[bool(u) for u in unseen], ["se", "df", "low", "high", "t", "p"]] = np.nan
    shown = ~table["term"].isin(["constant", "centre"])
    names = dict.fromkeys(name for u, s in zip(unseen, shown, strict=True) if s for name in u)
    return JudgedEffects(
        table.loc[shown, ["term", "effect", "se", "df", "low", "high", "t", "p"]].reset_index(drop=True), tuple(names)
    )
