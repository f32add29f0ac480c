"""How many coupons are expected above a limit, since machines wander and dials are uncertain; plans that keep below."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from statistics import NormalDist

import pandas as pd

from doe.domain.finding import Finding
from doe.domain.study import Study
from doe.plans.notes import note
from doe.plans.plan import Plan

MOST_ABOVE = 0.07
"""Largest share of a round's coupons that may be expected above a limit of a material."""

WORTH_SAYING = 0.005
"""Share of a round's coupons from which on it is said."""


def expected_above(study: Study, settings: pd.DataFrame, dial_u: Mapping[str, float]) -> dict[str, float]:
    """Coupons expected above the limit of a material, by temperature; without those that no limit speaks of.

    Parameters
    ----------
    study : Study
    settings : DataFrame
        One row a coupon.
    dial_u : mapping
        Standard uncertainty of what the dial gives at the surface, by factor, in degC; none where it is not known.
    """
    found = {}
    for f in study.numeric:
        limit = study.limits.material_max(f.name) if study.limits else None
        if limit is not None:
            values = settings[f.name].to_numpy(dtype=float)
            error = math.hypot(f.trial_error, dial_u.get(f.name, 0.0))
            found[f.name] = sum(1 - NormalDist(v, error).cdf(limit) if error else float(v > limit) for v in values)
    return found


def plan_below(study: Study, make: Callable[[Study], Plan], dial_u: Mapping[str, float]) -> Plan:
    """The plan of ``make`` for ranges whose hot ends are lowered until few coupons are expected above a limit.

    Nothing is lowered while at most `MOST_ABOVE` of the last round's coupons are expected there, and no range to less
    than its lower half. A note of the round says how many are expected.
    """
    asked = study
    while True:
        plan = make(study)
        last = plan.coupons[plan.coupons["round"] == plan.rounds]
        above = expected_above(study, last, dial_u)
        hot = [f.name for f in study.numeric if above.get(f.name, 0.0) > MOST_ABOVE * len(last)]
        lower = {
            f.name: replace(f, high=f.high - max(f.step or 0.0, f.trial_error / 5))
            for f in study.numeric
            if f.name in hot and f.high - (asked.factor(f.name).low + asked.factor(f.name).high) / 2 > f.trial_error / 2
        }
        if not lower:
            said = tuple(_near(asked, plan, last, name, expected) for name, expected in above.items())
            return replace(plan, notes=(*plan.notes, *(n for n in said if n is not None)))
        study = replace(study, factors=tuple(lower.get(f.name, f) for f in study.factors))


def _near(asked: Study, plan: Plan, coupons: pd.DataFrame, name: str, expected: float) -> Finding | None:
    if expected < WORTH_SAYING * len(coupons) or asked.limits is None:
        return None
    high = plan.study.factor(name).high
    return note(
        "near a limit",
        factor=name,
        expected=expected,
        coupons=len(coupons),
        limit=asked.limits.material_max(name),
        hottest=float(coupons[name].max()),
        lowered=high < asked.factor(name).high,
        **({"round": plan.rounds} if plan.rounds > 1 else {}),
    )
