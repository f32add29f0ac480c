"""Effects for people: mean at high minus mean at low, with intervals, Lenth's margin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from doe.domain.errors import InputError
from doe.surfaces.classical.batch_errors import (
    Batches,
    JudgedEffects,
    judge_effects,
    said,
    telling_batches,
)
from doe.surfaces.classical.inputs import Floats, as_matrix, as_vector, check_assurance
from doe.surfaces.classical.least_squares import ErrorEstimate, LeastSquaresFit, fit_least_squares
from doe.surfaces.classical.pure_error import find_pure_error
from doe.surfaces.classical.terms import ModelTerms, build_terms

ErrorSource = Literal["auto", "replicates", "model", "none"]

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
    mean : float
        Fitted mean at the centre of the plan.
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
    mean: float
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
    terms: ModelTerms | None = None,
    error: ErrorSource = "auto",
    batches: Batches | None = None,
    assurance: float = 0.95,
) -> Effects:
    """Effects of a two-level plan, interactions included.

    Parameters
    ----------
    coded : array, shape (coupons, factors)
        Settings coded to -1 and +1; centre coupons at 0 are welcome.
    y : array, shape (coupons,)
        Response.
    factors : sequence of str
    terms : ModelTerms, optional
        Which effects; default all main effects and interactions of every order.
    error : {"auto", "replicates", "model", "none"}
        What the intervals rest on: repeated settings, or the model's own residuals. ``"auto"`` takes
        replicates if there are any, else the model if it left degrees of freedom, else nothing. Replicates that agree
        exactly (passes only, or scores in steps), or coupons that all lie on the model, measure no error: there are
        then no intervals either.
    batches : mapping of str to labels, each of shape (coupons,), optional
        Batch of each coupon by grouping. Where there is an error to judge by, effects and intervals then come from a
        mixed model (`judge_effects`), as far as the coupons carry it.
    assurance : float
        Of each two-sided interval and of Lenth's margins.

    Returns
    -------
    Effects

    Raises
    ------
    InputError
        If the asked-for error source does not exist in these data, or settings are not -1, 0 or +1.

    Notes
    -----
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
    settings = _two_level(coded, factors)
    response = as_vector(y, len(settings), "response")
    model = build_terms(factors, "factorial") if terms is None else terms
    matrix = model.matrix(settings)
    judged_by = _choose_error(settings, response, matrix, model, error)
    fit = fit_least_squares(matrix, response, model.names, assurance=assurance, error=judged_by)
    used = None if error == "none" else fit.error
    notes = fit.notes
    if used is not None and used.variance == 0:  # an interval of no width would call any rounding an effect
        cause = "All repeated settings agree exactly" if used.source == "replicates" else "The model leaves no scatter"
        used, notes = None, (*notes, f"{cause}, so the effects have no intervals.")
    rows = fit.coefficients.copy()
    rows["ss"] = fit.partial_ss
    rows["chain"] = _chains(fit)
    constant = rows["term"] == "constant"
    table = rows.loc[~constant].reset_index(drop=True)
    table.insert(1, "effect", 2 * table.pop("estimate"))
    size = table["effect"].abs()
    table["effect"] = table["effect"].where(size > _ROUNDING * np.abs(response).max(initial=0.0), 0.0)
    for column in ("se", "low", "high"):
        table[column] = 2 * table[column] if used is not None else np.nan
    if used is None:
        table[["t", "p"]] = np.nan
    table = table[["term", "effect", "se", "low", "high", "t", "p", "ss", "chain"]]
    effects = table["effect"].to_numpy(dtype=float)
    shared = telling_batches(batches, len(settings)) if used is not None else {}
    judged = judge_effects(settings, response, model, shared, assurance=assurance) if shared else None
    if judged is not None:
        table = _with_batches(table, judged)
        notes = (*notes, *_batch_notes(table, judged))
    elif shared:
        notes = (*notes, f"Too few coupons to count errors that {said(shared)} share in the effects' intervals.")
    return Effects(
        table=table,
        mean=float(rows.loc[constant, "estimate"].sum()),
        error=used,
        lenth=lenth_margins(effects, assurance=assurance) if len(effects) >= 3 else None,
        fit=fit,
        notes=notes,
        batches=() if judged is None else tuple(shared),
    )


def _with_batches(table: pd.DataFrame, judged: JudgedEffects) -> pd.DataFrame:
    """The table with effects and intervals of the mixed model; those of other terms are taken away."""
    found = judged.table.set_index("term").reindex(table["term"])
    effect = found.pop("effect").to_numpy(dtype=float)
    old = table["effect"].to_numpy(dtype=float)
    rest = table.drop(columns=["effect", "se", "low", "high", "t", "p"])
    rest.insert(1, "effect", np.where(np.isfinite(effect) & (old != 0), effect, old))
    for place, column in enumerate(("se", "df", "low", "high", "t", "p"), start=2):
        rest.insert(place, column, found[column].to_numpy(dtype=float))
    return rest


def _batch_notes(table: pd.DataFrame, judged: JudgedEffects) -> list[str]:
    notes = []
    if judged.unseen:
        notes.append(
            f"Some effects cannot be told from errors that {said(judged.unseen)} share; they have no interval."
        )
    if not table["term"].isin(judged.table["term"]).all():
        notes.append("Interactions that the model with batch errors has no coupons for have no interval.")
    return notes


def _two_level(coded: ArrayLike, factors: Sequence[str]) -> Floats:
    """The rows at the corners, as signs.

    Raises
    ------
    InputError
        If a setting is not -1, 0 or +1.
    """
    settings, _ = as_matrix(coded, list(factors))
    odd = ~np.isclose(settings[..., None], [-1.0, 0.0, 1.0]).any(axis=-1)
    if odd.any():
        row, column = np.argwhere(odd)[0]
        raise InputError(
            f"{factors[column]}, row {row + 1}",
            float(settings[row, column]),
            "-1, 0 or +1 (coded)",
            "Effects need a two-level plan; fit a quadratic model to other settings.",
        )
    return np.round(settings)


def _choose_error(
    settings: Floats, y: Floats, matrix: Floats, model: ModelTerms, error: ErrorSource
) -> ErrorEstimate | None:
    """Where the error comes from.

    Raises
    ------
    InputError
        If there is nothing to take that error from.
    """
    if error in {"auto", "replicates"}:
        pure = find_pure_error(settings, y).estimate
        if pure is not None or error == "auto":
            return pure  # None: `fit_least_squares` falls back on the model's residuals
        raise InputError(
            "error", "no repeated setting", "plans with replicates", "Use the model's residuals or Lenth's margin."
        )
    if error == "model" and np.linalg.matrix_rank(matrix) >= len(y):
        raise InputError(
            "error",
            f"{len(model)} terms for {len(y)} coupons",
            "fewer terms than coupons",
            "Leave out the highest interactions, or use Lenth's margin.",
        )
    return None


def _chains(fit: LeastSquaresFit) -> list[str]:
    """What each kept term stands for: itself and the dropped terms equal to it up to sign."""
    kept_names = fit.coefficients["term"].tolist()
    chains = {name: name for name in kept_names}
    for confounding in fit.confoundings:
        if len(confounding.others) == 1:
            sign = "+" if confounding.weights[0] > 0 else "−"
            chains[confounding.others[0]] += f" {sign} {confounding.term}"
    return [chains[name] for name in kept_names]


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

    Raises
    ------
    InputError
        If there are fewer than three effects or one is not finite.

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
    check_assurance(assurance)
    size = np.abs(as_vector(effects, np.size(effects), "effects"))
    if len(size) < 3:
        raise InputError("effects", f"{len(size)} effects", "3 or more", "Use a plan with more coupons.")
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
    values = as_vector(effects, len(names), "effects")
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
