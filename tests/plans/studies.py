"""Invented studies shared by the tests of plans."""

from __future__ import annotations

from doe.domain.factors import Factor, usual_factor
from doe.domain.finding import Finding
from doe.domain.space import Forbidden
from doe.domain.study import Study
from doe.plans.plan import Plan

NAMES = ("cure_temp", "cure_time", "press_temp", "dwell", "pressure", "peel_wait")


def usual(k: int = 4, *named: str, forbidden: tuple[str, ...] = ()) -> Study:
    """The first k of the usual factors, then the named ones."""
    factors: tuple[Factor, ...] = tuple(usual_factor(name) for name in (*NAMES[:k], *named))
    return Study("test", factors, forbidden=tuple(Forbidden.parse(text, factors) for text in forbidden))


def plain(k: int, *, named: tuple[int, ...] = ()) -> Study:
    """k factors from 0 to 100 that can be set exactly, so that coded values come out as -1, 0, +1."""
    return Study(
        "plain",
        (
            *(Factor(f"x{i + 1}", "bar", low=0, high=100, step=0) for i in range(k)),
            *(Factor(f"c{i + 1}", levels=tuple("abcd"[:n])) for i, n in enumerate(named)),
        ),
    )


def facts(plan: Plan) -> list[Finding]:
    """Notes of a plan that are facts."""
    return [note for note in plan.notes if isinstance(note, Finding)]
