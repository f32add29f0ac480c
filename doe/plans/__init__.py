"""Building, ordering and judging plans."""

from __future__ import annotations

from doe.plans.augment import augment_plan
from doe.plans.build import add_round, make_plan
from doe.plans.compare import LeftOut, compare_plans, left_out
from doe.plans.judge import PlanJudgement, judge_plan
from doe.plans.plan import KINDS, ORDERS, REPEAT_CENTRE, Plan

__all__ = [
    "KINDS",
    "ORDERS",
    "REPEAT_CENTRE",
    "LeftOut",
    "Plan",
    "PlanJudgement",
    "add_round",
    "augment_plan",
    "compare_plans",
    "judge_plan",
    "left_out",
    "make_plan",
]
