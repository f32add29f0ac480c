"""A plan for the next study of a shop: the kind that leads to the best settings on lines like the shop's.

Lines are drawn from what is believed before any coupon of the study is made: the model's priors, with what the shop's
earlier studies lend to them (`doe.surfaces.shop`, its doubt included). Each drawn line in turn is taken as true, the
coupons of each kind of plan are made on it, all drawn lines are weighed by how likely these outcomes are, and the
setting that is then most likely to reach the wanted rate is held against the line that was true. Nothing is fitted:
the weights are the posterior over the lines drawn. Checks alone are looked at, and batches are left aside.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.stats import qmc

from doe.domain.coding import FloatArray, decode_frame
from doe.domain.errors import InputError
from doe.domain.masks import is_forbidden
from doe.domain.results import read_results
from doe.domain.stack import DEFAULT_LINE, Line
from doe.domain.study import Study
from doe.plans.build import LEAST_OPTIMAL, fits
from doe.plans.build import make_plan as plan_of_kind
from doe.plans.classical import CLASSICAL
from doe.plans.decisions import FAR_OFF
from doe.plans.notes import note
from doe.plans.plan import Plan
from doe.surfaces.hand_scores import mean_hand
from doe.surfaces.outcomes import expit
from doe.surfaces.scaling import Scaling
from doe.surfaces.shop import ShopHistory
from doe.surfaces.window_model import WindowModel

LINES, SETTINGS = 2000, 256
"""Lines drawn, and settings of the region among which the best is sought."""

SURE = 2.0
"""Standard errors by which another kind must be better than the usual one before it is taken."""


def make_plan(
    study: Study,
    *,
    coupons: int = 20,
    kind: str = "auto",
    seed: int = 0,
    line: Line = DEFAULT_LINE,
    order: str = "batched",
    shop: ShopHistory | None = None,
) -> Plan:
    """Plan of this many coupons for a study, in an order a person can run; see `doe.plans.build.make_plan`.

    Parameters
    ----------
    study : Study
    coupons, kind, seed, line, order
        As there. A kind that is named is made as it is, whatever the shop's studies say.
    shop : ShopHistory, optional
        What earlier studies say of this shop's lines, from `doe.learn_shop`. With it ``auto`` compares kinds of plan
        of this size on lines drawn from what is then believed of this study's line, and takes another kind than the
        usual one where that leads to better settings by more than twice its standard error; the notes then say so.
        Where coupons go within a plan of that kind does not depend on the shop. Of no effect below `LEAST_OPTIMAL`
        coupons, with named factors, or where the shop's studies say nothing of such a line.

    Raises
    ------
    InputError
        If the kind, the order or the number of coupons cannot be used.
    """
    plan = plan_of_kind(study, coupons=coupons, kind=kind, seed=seed, line=line, order=order)
    if shop is None or kind != "auto" or len(plan.coupons) < LEAST_OPTIMAL or study.categorical:
        return plan
    kinds = ["spread", "optimal", "d-optimal"] + [name for name in CLASSICAL if fits(study, name, coupons)]
    others = []
    for name in kinds:
        with suppress(InputError):  # a forbidden combination leaves some kinds out
            if name != plan.kind:
                others.append(plan_of_kind(study, coupons=coupons, kind=name, seed=seed, line=line, order=order))
    usual, *found = plan_worths(study, [plan, *others], shop, seed=seed)
    if not found or not len(usual.each):
        return plan
    best = max(found, key=lambda worth: float(worth.each.mean()))
    gained = best.each - usual.each
    if gained.mean() <= SURE * gained.std() / np.sqrt(len(gained)):
        return plan
    why = note(
        "chosen by the shop",
        studies=len(shop.studies),
        usual=plan.kind,
        holds=round(best.holds, 3),
        usual_holds=round(usual.holds, 3),
    )
    chosen = next(other for other in others if other.kind == best.kind)
    return replace(chosen, notes=(why, *chosen.notes))


@dataclass(frozen=True)
class PlanWorth:
    """What a plan led to on lines drawn for a study: ``each`` drawn line where the wanted rate can be reached.

    ``each`` is 1 where the setting chosen truly reaches the wanted rate, -1 where it is `FAR_OFF` below, else 0.
    """

    kind: str
    each: FloatArray
    holds: float


def plan_worths(study: Study, plans: list[Plan], shop: ShopHistory, *, seed: int) -> list[PlanWorth]:
    """What each plan is worth on the same lines, drawn from what the shop lends; empty where it lends nothing.

    Parameters
    ----------
    study : Study
        Without named factors.
    plans : list of Plan
    shop : ShopHistory
    seed : int
    """
    rng = np.random.default_rng([seed, 12])
    settings = _settings(study)
    production = replace(study, factors=tuple(replace(f, trial_sd=None) for f in study.factors))
    region = _model(production, settings, shop)
    if region.loan is None or not region.loan.parts:
        return [PlanWorth(plan.kind, np.empty(0), 0.0) for plan in plans]
    xi = region.loan.draw(rng.standard_normal((LINES, region.parameters)), rng)
    rates = np.exp(region.pass_log_chance(xi))
    target = study.spec.pass_rate
    able = rates.max(axis=1) >= target
    merit = (rates >= target) + 1e-3 * rates
    found = []
    for plan in plans:
        chances = _chances(_model(study, plan.coupons[list(study.factor_names)], shop), xi)
        seen = (rng.random(chances.shape[1:])[None] > np.cumsum(chances, axis=0)[:2]).sum(axis=0)
        logs = np.log(chances)
        # log likelihood of what was seen on each line (rows) under every line (columns)
        happened = (seen == np.arange(len(logs))[:, None, None]).astype(float)
        fitted = np.asarray((happened @ logs.transpose(0, 2, 1)).sum(axis=0))
        weights = np.exp(fitted - fitted.max(axis=1, keepdims=True))
        # a line is not judged by itself: with few lines drawn it would be found again
        np.fill_diagonal(weights, 0.0)
        chosen = np.argmax(weights @ merit, axis=1)
        true = rates[np.arange(LINES), chosen][able]
        each = (true >= target).astype(float) - (true < target - FAR_OFF)
        found.append(PlanWorth(plan.kind, each, float((true >= target).mean()) if len(true) else 0.0))
    return found


def _settings(study: Study) -> pd.DataFrame:
    """Settings spread evenly over the region, the allowed ones."""
    coded = 2 * qmc.Sobol(len(study.numeric), scramble=True, rng=np.random.default_rng(21)).random(SETTINGS) - 1
    frame = pd.DataFrame(decode_frame(study.factors, coded))
    return frame[~is_forbidden(study.forbidden, frame)].reset_index(drop=True)


def _model(study: Study, settings: pd.DataFrame, shop: ShopHistory) -> WindowModel:
    """The model of coupons at these settings of which nothing is known yet, without batches."""
    results = read_results(study, settings.assign(passed=True, side=""))
    return WindowModel(Scaling(study.factors), results, mean_hand(results), shop=shop)


def _chances(model: WindowModel, xi: FloatArray) -> FloatArray:
    """Chance of a pass, of too little heat and of too much for each line and coupon, shape (3, lines, coupons)."""
    passes = np.clip(np.exp(model.pass_log_chance(xi)), 1e-9, 1 - 1e-9)
    draws = model.unpack(xi)
    wrong = draws.wrong_side[:, None]
    over = wrong + (1 - 2 * wrong) * expit(draws.over_logit(model.z))
    over = np.clip(over, 1e-9, 1 - 1e-9)
    return np.stack([passes, (1 - passes) * (1 - over), (1 - passes) * over])
