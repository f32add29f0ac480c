"""What a plan costs, what it can tell and what it cannot, before any coupon is made."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.stats import nct, t

from doe.domain.coding import code
from doe.domain.finding import Finding, Value
from doe.domain.stack import DEFAULT_LINE, Line
from doe.domain.study import Study
from doe.plans.confusion import Confusion, confusion
from doe.plans.order import STAGES
from doe.plans.plan import REPEAT_CENTRE, Plan
from doe.plans.points import FloatArray
from doe.plans.timing import CURE_HANDLING_MIN, PRESS_HANDLING_MIN, USUAL_SECONDS, Hours, hours_at_machines, machine_of
from doe.plans.variance import MODELS, Model, Precision, design_matrix, precision, rank_of, term_names

BATCH_RATIO = 0.5
"""Batch-to-batch variance over coupon-to-coupon variance, at each machine, taken before there are data (common
practice, no source)."""

ALPHA, POWER = 0.10, 0.80


@dataclass(frozen=True)
class Effect:
    """What a plan can show of one factor's main effect, low end to high end of its range.

    Attributes
    ----------
    factor : str
    standard_error : float
        In residual standard deviations, batch errors included; ``inf`` where it cannot be estimated.
    error_df : float
        Degrees of freedom of its error: batches for a factor that is set once a batch, else coupons.
    smallest : float
        Effect shown with a power of 0.8 by a two-sided test at level 0.1, in residual standard deviations.
    """

    factor: str
    standard_error: float
    error_df: int
    smallest: float


def main_effects(study: Study, coupons: pd.DataFrame, model: Model) -> tuple[Effect, ...]:
    """Smallest main effects likely seen, in the order of the factors; those of named factors are the largest step.

    Generalised least squares with the batches of both machines as random whole plots (strip plot). A factor that is
    constant within the batches of a machine is judged against those batches.
    """
    X = design_matrix(study, coupons, model)
    names = term_names(study, model)
    n = len(X)
    cure, press = _indicator(coupons["cure_batch"]), _indicator(coupons["press_batch"])
    stroke = _indicator(coupons["stroke"])
    V = np.eye(n) + BATCH_RATIO * (cure @ cure.T + press @ press.T)
    # the half-width of the whole matters, not its split: a stroke's own error is not known beforehand
    strata = {"cure": cure, "press": press, "coupon": np.hstack([cure, press])}
    estimable = rank_of(X) == X.shape[1]
    covariance = np.linalg.inv(X.T @ np.linalg.solve(V, X)) if estimable else np.full((X.shape[1],) * 2, np.inf)
    found = []
    for f in study.factors:
        at = [i for i, term in enumerate(names) if term == (f.name,)]
        where = next((stage for stage in ("cure", "press") if _constant_within(X[:, at], strata[stage])), "coupon")
        if where == "coupon":
            df = n - rank_of(np.hstack([X, strata["coupon"]]))
            if f.stage == "press" and stroke.shape[1] < n:
                # coupons of one stroke share its press settings: strokes, not coupons, are compared
                df = min(df, stroke.shape[1] - rank_of(_within(X, stroke)))
        else:
            df = strata[where].shape[1] - rank_of(_within(X, strata[where]))
        error = _largest_step(covariance, at, f.is_categorical) if estimable else float("inf")
        found.append(Effect(f.name, error, max(df, 0), smallest_effect(error, df, alpha=ALPHA, power=POWER)))
    return tuple(found)


def _indicator(labels: pd.Series) -> FloatArray:
    values = labels.to_numpy()
    return np.asarray((values[:, None] == np.unique(values)[None, :]).astype(float))


def _constant_within(columns: FloatArray, batches: FloatArray) -> bool:
    means = batches @ ((batches.T @ columns) / batches.sum(axis=0)[:, None])
    return batches.shape[1] < len(columns) and bool(np.allclose(means, columns))


def _within(X: FloatArray, groups: FloatArray) -> FloatArray:
    """Columns that are constant within groups, one row a group."""
    means = (groups.T @ X) / groups.sum(axis=0)[:, None]
    constant = np.isclose(groups @ means, X).all(axis=0)
    return np.asarray(means[:, constant])


def _largest_step(covariance: FloatArray, at: list[int], categorical: bool) -> float:
    block = covariance[np.ix_(at, at)]
    if not categorical:
        return float(2 * np.sqrt(block[0, 0]))  # from -1 to +1 is two coded units
    table = np.vstack([np.eye(len(at)), -np.ones(len(at))])
    steps = (table[:, None, :] - table[None, :, :]).reshape(-1, len(at))
    return float(np.sqrt(np.einsum("ip,pq,iq->i", steps, block, steps).max()))


def smallest_effect(standard_error: float, df: float, *, alpha: float = 0.10, power: float = 0.80) -> float:
    """Effect that a two-sided t test at level alpha shows with this power; ``inf`` without error degrees of freedom.

    Parameters
    ----------
    standard_error : float
        Of the effect, in the effect's unit, for instance residual standard deviations.
    df : float
        Error degrees of freedom.
    alpha, power : float

    Examples
    --------
    A two-level plan of 16 coupons and 8 error degrees of freedom, in standard deviations of a coupon:

    >>> round(smallest_effect(2 / 16**0.5, 8, alpha=0.05, power=0.93674), 3)
    2.0
    """
    if df < 1 or not math.isfinite(standard_error):
        return math.inf
    return standard_error * _needed_shift(df, alpha, power)


def _power(shift: float, df: float, alpha: float) -> float:
    limit = t.ppf(1 - alpha / 2, df)
    # beyond a shift of 5 the far tail is below 1e-8, and SciPy's value of it may be NaN
    far_tail = nct.cdf(-limit, df, shift) if shift < 5 else 0.0
    return nct.sf(limit, df, shift) + far_tail


@lru_cache(maxsize=256)
def _needed_shift(df: float, alpha: float, power: float) -> float:
    # one degree of freedom needs a shift of about 8 at the usual level
    return brentq(lambda shift: _power(shift, df, alpha) - power, 0.0, 40.0, xtol=1e-8)


USUAL_STEP_DEGC = 10.0
"""Least step between temperature levels where the uncertainty of the machine is not known (common practice, no
source)."""

JudgementCode = Literal[
    "aliased",
    "hang together",
    "steps of unknown worth",
    "steps within uncertainty",
    "followed whatever the result",
    "main effects",
    "interactions",
    "best settings",
    "bends at all",
    "drift",
    "batch error",
    "never varied",
    "which factor bends",
    "whether it bends",
    "fit of the quadratic",
    "main effects from chance",
    "smaller effects",
    "pass rate by counting",
    "handling",
    "one person",
    "precision",
]
"""Codes of the facts of a `PlanJudgement`."""


@dataclass(frozen=True)
class PlanJudgement:
    """A plan's price and worth.

    Attributes
    ----------
    kind : str
    coupons, garments, strokes, rounds : int
    hours : float
        At the machines: settling, curing, pressing and handling, for one person.
    time : Hours
        The same in its parts, in minutes.
    hours_random : float
        The same coupons in a fully random order.
    oven_changes, press_changes : float
        Changes of a hard-to-change setting.
    settle_minutes, settle_minutes_random : float
        Both machines, in the order of the plan, and on average in a fully random order.
    resolution : int or None
        Of a two-level plan; None without aliases, or for a plan with more levels.
    alias_chains : tuple of str
        Complete chains of a two-level plan, such as ``cure_temp = cure_time × press_temp × dwell``.
    aliases : tuple of Finding
        Which main effects and two-factor interactions cannot be told apart.
    model : {"main", "interactions", "quadratic"}
        The richest model the coupons can carry; precision is that of this model.
    quadratic, interactions : Precision
        ``rank`` of ``terms`` says how much of each model can be estimated.
    precision : Precision
        Of ``model``.
    effects : tuple of Effect
        Smallest effects likely seen, a factor at a time, in residual standard deviations.
    smallest_effect : float
        The largest of these over the factors: an effect of this size is likely seen whichever factor has it.
    warnings, can_tell, cannot_tell, assumptions : tuple of Finding
        By `JudgementCode`.
    """

    kind: str
    coupons: int
    garments: int
    strokes: int
    rounds: int
    hours: float
    time: Hours
    hours_random: float
    oven_changes: float
    press_changes: float
    settle_minutes: float
    settle_minutes_random: float
    resolution: int | None
    alias_chains: tuple[str, ...]
    aliases: tuple[Finding, ...]
    model: Model
    quadratic: Precision
    interactions: Precision
    precision: Precision
    effects: tuple[Effect, ...]
    smallest_effect: float
    warnings: tuple[Finding, ...]
    can_tell: tuple[Finding, ...]
    cannot_tell: tuple[Finding, ...]
    assumptions: tuple[Finding, ...]


def judge_plan(plan: Plan, *, line: Line = DEFAULT_LINE) -> PlanJudgement:
    """Judge a plan of any number of rounds on a line.

    Parameters
    ----------
    plan : Plan
    line : Line
        Its settle minutes price the changes, the uncertainty of its machines the steps between temperatures.
    """
    study, coupons = plan.study, plan.coupons
    time = hours_at_machines(study, coupons, line)
    models = {model: precision(study, coupons, model) for model in MODELS}
    richest = _richest(models, len(coupons), plan.rounds)
    aliases = confusion(study, coupons)
    effects = main_effects(study, coupons, richest)
    return PlanJudgement(
        kind=plan.kind,
        coupons=len(coupons),
        garments=int(coupons["garment"].nunique()),
        strokes=int(coupons["stroke"].nunique()),
        rounds=plan.rounds,
        hours=time.minutes / 60,
        time=time,
        hours_random=time.random_minutes / 60,
        oven_changes=time.oven_changes,
        press_changes=time.press_changes,
        settle_minutes=time.settle_oven + time.settle_press,
        settle_minutes_random=time.random_settle_oven + time.random_settle_press,
        resolution=aliases.resolution,
        alias_chains=aliases.chains,
        aliases=aliases.facts,
        model=richest,
        quadratic=models["quadratic"],
        interactions=models["interactions"],
        precision=models[richest],
        effects=effects,
        smallest_effect=max(e.smallest for e in effects),
        warnings=(*step_warnings(study, coupons, line), *_leverage_warnings(coupons, models[richest])),
        can_tell=_can_tell(study, coupons, models, effects),
        cannot_tell=_cannot_tell(study, coupons, models, aliases, effects),
        assumptions=_assumptions(richest),
    )


def _richest(models: dict[Model, Precision], coupons: int, rounds: int) -> Model:
    """The richest model whose every term is estimated and that leaves two degrees of freedom for error."""
    for model in reversed(MODELS):
        found = models[model]
        if found.rank == found.terms and coupons >= found.terms + rounds - 1 + 2:
            return model
    return "main"


def step_warnings(study: Study, coupons: pd.DataFrame, line: Line) -> tuple[Finding, ...]:
    """Neighbouring temperature levels that lie closer together than the machine can be trusted to.

    A step must be at least twice the expanded uncertainty U (k = 2) of the machine; without a known U, 10 degC.
    """
    found = []
    for f in study.numeric:
        if not f.is_temperature:
            continue
        machine = machine_of(line, f.stage or "press")
        levels = np.unique(coupons[f.name].to_numpy(dtype=float))
        if len(levels) < 2:
            continue
        step = float(np.diff(levels).min())
        known = machine.uncertainty_degc
        values: dict[str, Value] = {"factor": f.name, "step_delta_degc": step, "machine": machine.name}
        if known is None and step < USUAL_STEP_DEGC:
            found.append(_fact("steps of unknown worth", **values, usual_delta_degc=USUAL_STEP_DEGC))
        elif known is not None and step < 2 * known:
            found.append(_fact("steps within uncertainty", **values, least_delta_degc=2 * known))
    return tuple(found)


def _fact(code: JudgementCode, **values: Value) -> Finding:
    return Finding(code, values)


def _leverage_warnings(coupons: pd.DataFrame, found: Precision) -> tuple[Finding, ...]:
    alone = coupons["coupon"].to_numpy()[found.leverage > 1 - 1e-6]
    return (
        (_fact("followed whatever the result", coupons=tuple(map(str, alone)), model=found.model),)
        if len(alone)
        else ()
    )


def _can_tell(
    study: Study, coupons: pd.DataFrame, models: dict[Model, Precision], effects: tuple[Effect, ...]
) -> tuple[Finding, ...]:
    found = []
    if models["main"].rank == models["main"].terms and any(math.isfinite(e.smallest) for e in effects):
        sizes = tuple((e.factor, e.smallest) for e in effects if math.isfinite(e.smallest))
        found.append(_fact("main effects", smallest_sd=sizes, power=POWER, alpha=ALPHA))
    if models["interactions"].rank == models["interactions"].terms:
        found.append(_fact("interactions"))
    if models["quadratic"].rank == models["quadratic"].terms:
        found.append(_fact("best settings"))
    elif _sees_curvature(study, coupons):
        found.append(_fact("bends at all"))
    if (coupons["role"] == REPEAT_CENTRE).sum() >= 2:
        found.append(_fact("drift"))
    for stage in STAGES:
        names = [f.name for f in study.factors if f.stage == stage and f.hard_to_change]
        first = coupons.drop_duplicates(f"{stage}_batch")
        repeats = len(first) - (len(first.drop_duplicates(names)) if names else 1)
        if repeats > 0:
            found.append(_fact("batch error", stage=stage, repeats=repeats))
    return tuple(found)


def _sees_curvature(study: Study, coupons: pd.DataFrame) -> bool:
    """Whether some numeric factor takes a value clearly between the ends."""
    return any((np.abs(code(f, coupons[f.name].to_numpy(dtype=float))) < 0.9).any() for f in study.numeric)


def _cannot_tell(
    study: Study,
    coupons: pd.DataFrame,
    models: dict[Model, Precision],
    aliases: Confusion,
    effects: tuple[Effect, ...],
) -> tuple[Finding, ...]:
    constant = [name for name in study.factor_names if len(coupons[name].unique()) == 1]
    found = [*aliases.facts, *(_fact("never varied", factor=name) for name in constant)]
    quadratic = models["quadratic"]
    if quadratic.rank < quadratic.terms:
        if _sees_curvature(study, coupons):
            found.append(_fact("which factor bends", rank=quadratic.rank, terms=quadratic.terms))
        else:
            found.append(_fact("whether it bends"))
    elif len(coupons) < quadratic.terms + 3:
        found.append(_fact("fit of the quadratic"))
    blind = tuple(e.factor for e in effects if not math.isfinite(e.smallest))
    if blind:
        found.append(_fact("main effects from chance", factors=blind))
    return (*found, _fact("smaller effects"), _fact("pass rate by counting", coupons=len(coupons)))


def _assumptions(model: Model) -> tuple[Finding, ...]:
    return (
        _fact("handling", cure_min=CURE_HANDLING_MIN, press_min=PRESS_HANDLING_MIN),
        _fact("one person", usual_s=tuple(USUAL_SECONDS.items())),
        _fact("precision", model=model, batch_ratio=BATCH_RATIO),
    )
