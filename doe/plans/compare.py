"""Candidate plans side by side at one budget."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from doe.domain.errors import InputError
from doe.domain.finding import Finding, Value
from doe.domain.stack import DEFAULT_LINE, Line
from doe.domain.study import Study
from doe.plans.build import LEAST_OPTIMAL, make_plan, suitable_kind
from doe.plans.classical import CLASSICAL, LEAST_CENTRE, base_points, base_size
from doe.plans.decisions import outcome
from doe.plans.judge import PlanJudgement, judge_plan
from doe.plans.plan import KINDS
from doe.plans.variance import MODELS

USUAL_CENTRE = 4

TO_COMPARE = tuple(kind for kind in KINDS if kind != "auto")

ReasonCode = Literal["too few coupons", "other number of factors", "refused here"]
"""Codes of `LeftOut.reason`."""


@dataclass(frozen=True)
class LeftOut:
    """A kind of plan that the budget or the study does not allow, and why."""

    kind: str
    reason: Finding


def compare_plans(study: Study, *, coupons: int, seed: int = 0, line: Line = DEFAULT_LINE) -> tuple[PlanJudgement, ...]:
    """Judgements of the plans that fit a budget, the surest first.

    Plans that were tried on simulated lines over ranges as wide come first, what ``auto`` makes before the others, then
    those that led to better setpoints (`doe.plans.decisions`).
    Of the rest, plans that can show an effect of every factor come before those that cannot; then those that carry the
    full quadratic, then those that carry two-factor interactions; among these the one with the smaller average
    prediction variance, and among equals the faster. A textbook plan is taken in one copy with up to four centre
    coupons, so it may need fewer coupons than there are; `left_out` says why the others are missing.

    Parameters
    ----------
    study : Study
    coupons : int
        Most coupons that can be made.
    seed : int
    line : Line
    """
    found = []
    for kind in TO_COMPARE:
        size = _size(study, kind, coupons)
        if isinstance(size, LeftOut):
            continue
        try:
            plan = make_plan(study, coupons=size, kind=kind, seed=seed, line=line)
        except InputError:
            continue
        found.append(judge_plan(plan, line=line))
    auto = suitable_kind(study, coupons)[0] if coupons >= LEAST_OPTIMAL else ""  # fewer were never tried
    return tuple(sorted(found, key=lambda judged: _merit(study, judged, auto, coupons)))


def left_out(study: Study, *, coupons: int) -> tuple[LeftOut, ...]:
    """Kinds of plan missing from `compare_plans` at this budget, with reasons."""
    sizes = (_size(study, kind, coupons) for kind in TO_COMPARE)
    return tuple(size for size in sizes if isinstance(size, LeftOut))


def _size(study: Study, kind: str, coupons: int) -> int | LeftOut:
    """Coupons of this kind within the budget, or why there is no such plan."""
    if kind not in CLASSICAL:
        if coupons < LEAST_OPTIMAL:
            return _left_out(kind, "too few coupons", least=LEAST_OPTIMAL, coupons=coupons)
        return coupons
    try:
        base = base_size(study, kind)
    except InputError as error:
        return _left_out(kind, "other number of factors", allowed=error.allowed, found=str(error.found))
    if coupons < base + LEAST_CENTRE:
        return _left_out(kind, "too few coupons", least=base + LEAST_CENTRE, coupons=coupons)
    try:
        base_points(study, kind)
    except InputError as error:
        return _left_out(kind, "refused here", found=str(error.found), remedy=error.remedy)
    return min(coupons, base + USUAL_CENTRE)


def _left_out(kind: str, code: ReasonCode, **values: Value) -> LeftOut:
    return LeftOut(kind, Finding(code, values))


def _merit(
    study: Study, judgement: PlanJudgement, auto: str, coupons: int
) -> tuple[bool, float, bool, bool, int, float, float]:
    """What ``auto`` makes first, the setpoints it led to; of those as good what a textbook asks, hours last."""
    tried = outcome(study, judgement.kind, judgement.coupons)
    is_auto = judgement.kind == auto and judgement.coupons == coupons
    return (
        tried is None or not is_auto,
        -round(tried.worth, 3) if tried is not None else 1.0,
        tried is not None and judgement.kind != auto,
        not math.isfinite(judgement.smallest_effect),
        -MODELS.index(judgement.model),
        round(judgement.precision.variance_average, 3),
        round(judgement.hours, 2),
    )
