"""The line of an exercise in which something is to be tuned, and what the tool makes of it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from doe.domain.coding import decode, round_settings
from doe.domain.study import Study
from doe.plans.build import make_plan
from doe.plans.plan import Plan
from doe.practice.drill import named_study
from doe.practice.lines import SimulatedLine
from doe.practice.materials import CLOTHS, POWDERS
from doe.practice.world import workshop_line
from doe.setpoint.answer import Answer
from doe.setpoint.recommendation import recommend
from doe.surfaces.fitted import fit

CENTRE_AT_MOST = 0.90
"""Where the middle of the ranges passes more often than this, there is nothing to learn; another line is taken."""


def centre(study: Study) -> Mapping[str, float | str]:
    """Middle of every range, rounded to machine settings; the first level of a categorical factor."""
    return {
        f.name: f.levels[0] if f.is_categorical else float(round_settings(f, decode(f, 0.0))) for f in study.factors
    }


def line_to_tune(seed: int) -> SimulatedLine:
    """Line of the invented world whose best settings are not the middle of the ranges; the same seed, the same one."""
    for turn in range(50):
        rng = np.random.default_rng([seed, turn, 5])
        cloth, powder = CLOTHS[rng.integers(len(CLOTHS))], POWDERS[rng.integers(len(POWDERS))]
        line = workshop_line(cloth, powder, seed + 10_000 * turn, named_study(cloth.name, powder.name))
        if line.robust_pass(pd.DataFrame([centre(line.study)]))[0] <= CENTRE_AT_MOST:
            return line
    return line  # fifty easy ones in a row do not happen; an easy one is no harm


def tool_on(line: SimulatedLine, coupons: int, seed: int) -> tuple[Plan, pd.DataFrame, Answer]:
    """The tool's plan for a line with so many coupons, how they came out, and its answer."""
    plan = make_plan(line.study, coupons=coupons, seed=seed)
    results = line.run(plan.coupons, seed)
    return plan, results, recommend(line.study, fit(line.study, results, seed=seed), seed=seed)
