"""A further round of coupons, where it helps most."""

from __future__ import annotations

import numpy as np

from doe.domain.errors import check_seed
from doe.domain.stack import DEFAULT_LINE, Line
from doe.domain.study import Study
from doe.plans.build import add_round
from doe.plans.plan import Plan
from doe.setpoint.answer import LINKED_FROM
from doe.setpoint.next_coupons import choose_coupons
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import find_setpoint
from doe.setpoint.verdict import next_size
from doe.surfaces.fitted import Surfaces


def extend_plan(
    study: Study,
    plan: Plan,
    surfaces: Surfaces,
    *,
    coupons: int | None = None,
    seed: int = 0,
    line: Line = DEFAULT_LINE,
) -> Plan:
    """Add a round of coupons where they would help most, as a new block in runnable order.

    Parameters
    ----------
    study, plan, surfaces
        What there is so far.
    coupons : int, optional
        Coupons of the new round, the two centre coupons of a round of six or more among them; by default 8, or a step
        of 4 where the study goes step by step.
    seed : int
    line : Line
        For settle times and what fits under the platen.

    Returns
    -------
    Plan
        All rounds, the new one last.
    """
    check_seed(seed)
    rng = np.random.default_rng(seed)
    rate = RobustRate(study, surfaces)
    found = find_setpoint(rate, rng=rng)
    coupons = next_size(study, surfaces.results.coupons) if coupons is None else coupons
    linked = coupons >= LINKED_FROM
    settings = choose_coupons(rate, found, coupons - 2 * linked, rng=rng)
    return add_round(plan, settings, seed=seed, line=line, repeat_centre=linked)
