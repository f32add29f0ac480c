"""A second round without looking at results: the coupons that add most to what exists."""

from __future__ import annotations

import numpy as np

from doe.domain.errors import InputError
from doe.domain.seeds import check_seed
from doe.domain.stack import DEFAULT_LINE, Line
from doe.plans.build import MOST_COUPONS, add_round
from doe.plans.optimal import optimal_points
from doe.plans.plan import REPEAT_CENTRE, Plan
from doe.plans.points import centre_points, coded_of, settings_of, stack_points

LEAST_WITH_CENTRE = 6


def augment_plan(plan: Plan, *, coupons: int, seed: int, line: Line = DEFAULT_LINE) -> Plan:
    """The plan with one more round of this many coupons, placed to predict best together with all earlier ones.

    The new round is a block: it may differ from the earlier ones as a whole. From six coupons on, two of them are
    centre coupons, made first and last.

    Parameters
    ----------
    plan : Plan
    coupons : int
        Coupons of the new round.
    seed : int
    line : Line

    Raises
    ------
    InputError
        If there is no coupon to add.

    Notes
    -----
    Results are not looked at. With results in hand, coupons placed toward the likely window tell more.
    """
    if not 1 <= coupons <= MOST_COUPONS:
        raise InputError("coupons", coupons, f"1 to {MOST_COUPONS}", "Say how many test transfers there can be.")
    study = plan.study
    check_seed(seed)
    rng = np.random.default_rng([seed, plan.rounds, 1])
    centre = centre_points(study, 2 if coupons >= LEAST_WITH_CENTRE else 0)
    coded, levels = coded_of(study, plan.coupons)
    earlier = coded, levels, plan.coupons["round"].to_numpy(dtype=int)
    free = optimal_points(study, coupons - len(centre), rng, fixed=centre, earlier=earlier)
    points = stack_points([free, centre])
    roles = ("chosen",) * len(free) + (REPEAT_CENTRE,) * len(centre)
    return add_round(plan, settings_of(study, points.coded, points.levels), seed=seed, line=line, roles=roles)
