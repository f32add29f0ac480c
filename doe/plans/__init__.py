"""Building, ordering and judging plans."""

from __future__ import annotations

from doe.plans.build import add_round, make_plan
from doe.plans.plan import KIND_LABELS, KINDS, ORDERS, REPEAT_CENTRE, Plan

__all__ = ["KINDS", "KIND_LABELS", "ORDERS", "REPEAT_CENTRE", "Plan", "add_round", "make_plan"]
