"""Effects for people: mean at high minus mean at low, with intervals, Lenth's margin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from doe.surfaces.classical.batch_errors import Batches, said, telling_batches
from doe.surfaces.classical.confounding import Floats
from doe.surfaces.classical.least_squares import ErrorEstimate, LeastSquaresFit, find_pure_error, fit_least_squares
from doe.surfaces.classical.mixed import fit_mixed
from doe.surfaces.classical.terms import CONSTANT, TermsKind, build_terms

_LEAST_DF = 3  # coupons beyond terms and batches, without which a model is cut down
_ROUNDING = 1e-12  # effects smaller than this share of the largest response are zero on paper


@dataclass(frozen=True)
class Effects:
    """Effects of a two-level plan.

    Attributes
    ----------
    table : DataFrame
        One row an effect: term, effect, se, low, high, t, p, ss, chain. `chain` names everything the
        effect stands for, such as ``"A + B × C × D"``. The interval columns are missing without an
        error estimate; use `lenth` then. Where batch errors are counted there is ``df`` after ``se``, and effects the
        mixed model does not hold have no interval.
    error : ErrorEstimate or None
    lenth : Lenth or None
        Lenth's margins; given whenever there are three effects or more.
    fit : LeastSquaresFit
        The underlying fit; an effect is twice its coefficient (without batches).
    notes : tuple of str
    batches : tuple of str
        Groupings whose shared errors the intervals count; empty when they count none.
    """

    table: pd.DataFrame
    error: ErrorEstimate | None
    lenth: Lenth | None
    fit: LeastSquaresFit
    notes: tuple[str, ...]
    batches: tuple[str, ...] = ()


def estimate_effects(
    coded: ArrayLike,
    y: ArrayLike,
    factors: Sequence[str],
    *,
    batches: Batches | None = None,
    assurance: float = 0.95,
) -> Effects:
    """Effects of a two-level plan, interactions included.

    Parameters
    ----------
    coded : array, shape (coupons, factors)
        Settings coded to -1 and +1; centre coupons at 0 are welcome, other settings are not.
    y : array, shape (coupons,)
        Response.
    factors : sequence of str
    batches : mapping of str to labels, each of shape (coupons,), optional
        Batch of each coupon by grouping. Where there is an error to judge by, effects and intervals then come from a
        mixed model (`judge_effects`), as far as the coupons carry it.
    assurance : float
        Of each two-sided interval and of Lenth's margins.

    Returns
    -------
    Effects

    Notes
    -----
    Intervals rest on repeated settings if there are any, else on the model's own residuals if it left degrees of
    freedom, else there are none. Replicates that agree exactly (passes only, or scores in steps), or coupons that all
    lie on the model, measure no error: there are then no intervals either.
    With void coupons the plan is no longer orthogonal; effects are then twice the least-squares
    coefficients instead of plain differences of means. Intervals hold one effect at a time. Without `batches` errors
    that whole batches share are not in them: for a factor that is set once a batch they are then too short. Lenth's
    margins never count them.

    References
    ----------
    G. E. P. Box, J. S. Hunter and W. G. Hunter (2005), *Statistics for Experimenters*, 2nd ed., ch. 5.

    Examples
    --------
    >>> effects = estimate_effects([[-1, -1], [1, -1], [-1, 1], [1, 1]], [4, 6, 5, 9], ["temp", "dwell"])
    >>> effects.table[["term", "effect"]].round(6).to_dict("list")
    {'term': ['temp', 'dwell', 'temp × dwell'], 'effect': [3.0, 2.0, 1.0]}
    """
    settings, response = np.asarray(coded, dtype=float), np.asarray(y, dtype=float)
    model = build_terms(factors, "factorial")
    repeats = find_pure_error(settings, response)
    fit = fit_least_squares(model.matrix(settings), response, model.names, assurance=assurance, error=repeats)
    error, notes = fit.error, fit.notes
    if error is not None and error.variance == 0:  # an interval of no width would call any rounding an effect
        cause = "All repeated settings agree exactly" if error.is_repeated else "The model leaves no scatter"
        error, notes = None, (*notes, f"{cause}, so the effects have no intervals.")
    rows = fit.coefficients.copy()
    rows["ss"] = fit.partial_ss
    rows["chain"] = _chains(fit)
    constant = rows["term"] == CONSTANT
    table = rows.loc[~constant].reset_index(drop=True)
    table.insert(1, "effect", 2 * table.pop("estimate"))
    size = table["effect"].abs()
    table["effect"] = table["effect"].where(size > _ROUNDING * np.abs(response).max(initial=0.0), 0.0)
    table[["se", "low", "high"]] *= 2
    if error is None:
        table[["se", "low", "high", "t", "p"]] = np.nan
    table = table[["term", "effect", "se", "low", "high", "t", "p", "ss", "chain"]]
    effects = table["effect"].to_numpy(dtype=float)
    lenth = lenth_margins(effects, assurance=assurance) if len(effects) >= 3 else None
    shared = telling_batches(batches, len(settings)) if error is not None else {}
    judged = _judge_effects(settings, response, factors, shared, assurance=assurance) if shared else None
    if judged is not None:
        found, unseen = judged
        if unseen:
            notes = (
                *notes,
                f"Some effects cannot be told from errors that {said(unseen)} share; they have no interval.",
            )
        if not table["term"].isin(found.index).all():
            notes = (*notes, "Interactions that the model with batch errors has no coupons for have no interval.")
        table = _with_batches(table, found)
    elif shared:
        notes = (*notes, f"Too few coupons to count errors that {said(shared)} share in the effects' intervals.")
    return Effects(
        table=table,
        error=error,
        lenth=lenth,
        fit=fit,
        notes=notes,
        batches=() if judged is None else tuple(shared),
    )


def _with_batches(table: pd.DataFrame, found: pd.DataFrame) -> pd.DataFrame:
    """The table with effects and intervals of the mixed model; those of other terms are taken away."""
    judged = found.reindex(table["term"]).reset_index(drop=True)
    old, effect = table["effect"], judged.pop("effect")
    effect = effect.where(np.isfinite(effect) & (old != 0), old)
    return pd.concat([table["term"], effect, judged, table[["ss", "chain"]]], axis=1)


def _judge_effects(
    settings: Floats, y: Floats, factors: Sequence[str], batches: Mapping[str, pd.Series], *, assurance: float
) -> tuple[pd.DataFrame, tuple[str, ...]] | None:
    """Effects of a two-level plan by the mixed model; None where the coupons carry no such model.

    All interactions are fitted if that leaves coupons to judge by, else those of two factors, else main effects. Centre
    coupons get a term of their own, so that curvature does not pass for batch error.

    Returns
    -------
    table : DataFrame
        One row a term that could be fitted, its name the index: effect, se, df, low, high, t, p; the last six are
        missing where the batch error in an effect cannot be told from it.
    unseen : tuple of str
        Groupings whose error is not counted in some interval; those effects have none.
    """
    centre = (settings == 0).all(axis=1).astype(float)
    z = np.column_stack([np.asarray(pd.get_dummies(labels), dtype=float) for labels in batches.values()])
    kinds: tuple[TermsKind, ...] = ("factorial", "interactions", "main")
    for kind in kinds:
        terms = build_terms(factors, kind)
        X = np.column_stack([terms.matrix(settings), centre]) if centre.any() else terms.matrix(settings)
        if len(y) - np.linalg.matrix_rank(np.column_stack([X, z])) >= _LEAST_DF:
            break
    else:
        return None
    fit = fit_mixed(X, y, batches, [*terms.names, "centre"], assurance=assurance)
    if not np.any(fit.spread.variances):
        return None
    table = fit.coefficients.rename(columns={"estimate": "effect"}).set_index("term")
    table[["effect", "se", "low", "high"]] *= 2
    unseen = [fit.unseen_errors(row) for row in np.eye(len(table))]
    table.loc[[bool(u) for u in unseen], ["se", "df", "low", "high", "t", "p"]] = np.nan
    shown = ~table.index.isin([CONSTANT, "centre"])
    names = dict.fromkeys(name for u, s in zip(unseen, shown, strict=True) if s for name in u)
    return table.loc[shown, ["effect", "se", "df", "low", "high", "t", "p"]], tuple(names)


def _chains(fit: LeastSquaresFit) -> list[str]:
    """What each kept term stands for: itself and the dropped terms equal to it up to sign."""
    chains = {name: name for name in fit.separable.terms}
    for confounding in fit.separable.confoundings:
        if len(confounding.others) == 1:
            sign = "+" if confounding.weights[0] > 0 else "−"
            chains[confounding.others[0]] += f" {sign} {confounding.term}"
    return list(chains.values())


@dataclass(frozen=True)
class Lenth:
    """Lenth's yardsticks for effects without an error estimate.

    Attributes
    ----------
    pse : float
        Pseudo standard error of an effect.
    margin : float
        An effect beyond it stands out on its own.
    simultaneous_margin : float
        An effect beyond it stands out even though so many were looked at.
    df : float
        A third of the number of effects.
    """

    pse: float
    margin: float
    simultaneous_margin: float
    df: float


def lenth_margins(effects: ArrayLike, *, assurance: float = 0.95) -> Lenth:
    """Margins by which to judge the effects of an unreplicated plan.

    Parameters
    ----------
    effects : array, shape (effects,)
        Independent effects of equal standard error, at least three; the mean left out.
    assurance : float

    Returns
    -------
    Lenth

    Notes
    -----
    It rests on most effects being nearly zero. Where more than about half are real, it misses some.

    References
    ----------
    R. V. Lenth (1989), *Technometrics* 31(4), 469-473.

    Examples
    --------
    >>> round(lenth_margins([9.0, 0.3, -0.2, 0.1, 0.4, -0.1, 0.2]).pse, 3)
    0.3
    """
    size = np.abs(np.asarray(effects, dtype=float))
    start = 1.5 * np.median(size)
    small = size[size < 2.5 * start]
    # All of them are zero, or most: then nothing scatters and the margin is zero.
    pse = float(1.5 * np.median(small)) if len(small) else 0.0
    m = len(size)
    df = m / 3
    each = (1 + assurance ** (1 / m)) / 2
    return Lenth(
        pse=pse,
        margin=float(stats.t.ppf((1 + assurance) / 2, df) * pse),
        simultaneous_margin=float(stats.t.ppf(each, df) * pse),
        df=df,
    )


def half_normal_points(effects: ArrayLike, names: Sequence[str]) -> pd.DataFrame:
    """Coordinates of a half-normal plot, smallest effect first.

    Parameters
    ----------
    effects : array, shape (effects,)
    names : sequence of str

    Returns
    -------
    DataFrame
        term, effect (signed), size, quantile: the half-normal quantile at (i - 1/2)/m.

    References
    ----------
    C. Daniel (1959), *Technometrics* 1(4), 311-341.
    """
    values = np.asarray(effects, dtype=float)
    order = np.argsort(np.abs(values), kind="stable")
    share = (np.arange(1, len(values) + 1) - 0.5) / max(len(values), 1)
    return pd.DataFrame(
        {
            "term": [names[i] for i in order],
            "effect": values[order],
            "size": np.abs(values[order]),
            "quantile": stats.norm.ppf(0.5 + share / 2),
        }
    )
