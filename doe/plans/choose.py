"""Which points: the kind that was asked for, or the one that suits budget and factors."""

from __future__ import annotations

import numpy as np

from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.domain.study import Study
from doe.plans.classical import CLASSICAL, check_kind, classical_points, sizes
from doe.plans.model import term_names
from doe.plans.notes import note
from doe.plans.optimal import Criterion, optimal_points
from doe.plans.points import Points, centre_points, forbidden_points, stack_points

LEAST_OPTIMAL = 12


def choose_points(
    study: Study, kind: str, coupons: int, rng: np.random.Generator
) -> tuple[Points, str, tuple[Finding, ...]]:
    """Points of a plan, the kind it turned out to be, and notes. At least two points have the role ``centre``.

    Raises
    ------
    InputError
        If the kind does not exist in this size for this study.
    """
    notes: tuple[Finding, ...] = ()
    if kind == "auto":
        kind, why = suitable_kind(study, coupons)
        notes = (why,)
    if kind in CLASSICAL:
        points, more = classical_points(study, kind, coupons)
        return _check_centre(study, points), kind, (*notes, *more)
    if coupons < LEAST_OPTIMAL:
        raise InputError(
            "coupons",
            coupons,
            f"{LEAST_OPTIMAL} or more for an optimal plan",
            "Make more coupons, or choose a two-level plan for a first look.",
        )
    centre = _check_centre(study, centre_points(study, optimal_centre(coupons)))
    criterion: Criterion = "D" if kind == "d-optimal" else "I"
    free = optimal_points(study, coupons - len(centre), rng, criterion=criterion, fixed=centre)
    terms = len(term_names(study, "quadratic"))
    if coupons < terms:
        notes = (*notes, note("fewer coupons than terms", coupons=coupons, terms=terms))
    return stack_points([free, centre]), kind, notes


def optimal_centre(coupons: int) -> int:
    """Centre coupons that are always part of an optimal plan: two for drift, more for a look at pure error."""
    return 2 if coupons < 16 else 3


def _check_centre(study: Study, points: Points) -> Points:
    """The centre points, where they may be made.

    Raises
    ------
    InputError
        If the middle of the ranges is forbidden.
    """
    if forbidden_points(study, points.coded, points.levels).any():
        raise InputError(
            "forbidden combinations",
            "no allowed settings near the centre of the ranges",
            "a region with room in it",
            "Narrow the ranges, or correct the forbidden combinations.",
        )
    return points


def suitable_kind(study: Study, coupons: int) -> tuple[str, Finding]:
    """Kind that suits this many coupons, with the reason.

    The response is expected to bend (too little heat and too much both fail), so a plan that can carry the full
    quadratic is preferred: a face-centred composite where one fits exactly, else an optimal plan. With fewer coupons
    a two-level plan with centre coupons is a first look.

    Raises
    ------
    InputError
        If no kind has so few coupons.
    """
    terms = len(term_names(study, "quadratic"))
    special = bool(study.forbidden or study.categorical)
    if not special and fits(study, "composite", coupons):
        return "composite", note("chosen as composite", coupons=coupons)
    if coupons >= LEAST_OPTIMAL and (special or coupons >= terms + 2):
        return "optimal", note(
            "chosen as optimal",
            coupons=coupons,
            room_for_terms=terms if coupons >= terms + 2 else None,
            named_factors=bool(study.categorical),
            forbidden=bool(study.forbidden),
        )
    for kind in ("full", "half", "quarter"):
        if fits(study, kind, coupons):
            return kind, note("chosen as a first look", coupons=coupons, terms=terms, kind=kind)
    if coupons >= LEAST_OPTIMAL:
        return "optimal", note("chosen as no textbook plan fits", coupons=coupons)
    allowed = {kind: sizes(study, kind)[0] for kind in CLASSICAL if _exists(study, kind)}
    least = min(low for low, _ in allowed.values())
    raise InputError(
        "coupons",
        coupons,
        f"{min(least, LEAST_OPTIMAL)} or more for these factors",
        "Make more coupons, or hold a factor constant.",
    )


def fits(study: Study, kind: str, coupons: int) -> bool:
    """Whether a classical plan of this kind exists with exactly this many coupons in one copy of its points."""
    return _exists(study, kind) and any(low <= coupons <= high for low, high in sizes(study, kind))


def _exists(study: Study, kind: str) -> bool:
    try:
        check_kind(study, kind)
    except InputError:
        return False
    return True
