"""What kinds of plan led to on simulated lines over ranges as wide: what `auto` and the comparison of plans go by.

The shares stand in `templates/tables/plan_decisions.toml`, which `tests/benchmarks/plan_kinds.py --tables` writes: four
settings, checks alone, one round, on lines of the population (`doe.practice.population`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import numpy as np

from doe.domain.jsonable import packaged_table, rows
from doe.domain.study import Study

SETTINGS, MOST = 4, 40
"""Settings of the studies tried, and the most coupons of a search step by step."""

WANTED = 0.95
"""Pass rate by the checks alone that was wanted of all that was tried; hand-feel was not asked for."""

STEPS = "steps"
"""How kinds of search step by step begin in the table."""

NEAR = 4
"""Coupons more or fewer that a number of coupons which was tried still speaks for; the sizes tried lie 8 apart."""

FAR_OFF = 0.15
"""A setpoint is far off when its true pass rate falls short of the wanted one by more than this."""


@dataclass(frozen=True)
class TriedPlan:
    """What a plan led to on lines where the wanted rate can be reached.

    Attributes
    ----------
    kind : str
        Kind of plan, or ``steps`` and the kind of the first coupons of a search step by step.
    coupons : int
        Coupons made, in a search step by step at most.
    wide : bool
        Whether the ranges were wide, counted in setting errors.
    lines : int
        Lines tried on which the wanted rate can be reached.
    holds, far_off : float
        Share of them whose setpoint truly reaches the wanted rate, and is `FAR_OFF`.
    made : float
        Coupons made on average.
    """

    kind: str
    coupons: int
    wide: bool
    lines: int
    holds: float
    far_off: float
    made: float

    @property
    def error(self) -> float:
        """Standard error of `holds`, of a share drawn a little inward so that it is never zero."""
        inward = (self.holds * self.lines + 1) / (self.lines + 2)
        return float(np.sqrt(inward * (1 - inward) / self.lines))

    @property
    def worth(self) -> float:
        """What plans are ranked by: a setpoint far off costs what one that holds is worth."""
        return self.holds - self.far_off


@cache
def _tried() -> tuple[tuple[TriedPlan, ...], float]:
    table = packaged_table("plan_decisions")
    return rows(TriedPlan, table["plans"]), float(table["wide_from"])


def width(study: Study) -> float:
    """Geometric mean of the widths of the ranges in setting errors."""
    widths = [(f.high - f.low) / f.setting_sd for f in study.numeric if f.setting_sd > 0]
    return float(np.exp(np.mean(np.log(widths))))


def is_wide(study: Study) -> bool:
    """Whether the ranges of a study are wide, counted in setting errors."""
    return width(study) >= _tried()[1]


def outcome(study: Study, kind: str, coupons: int) -> TriedPlan | None:
    """What a kind of plan led to with as many coupons, over ranges as wide.

    None where that was not tried: with another number of settings, with levels, with fewer coupons than were tried.
    Between sizes that were tried, the nearest speaks, of two as near the smaller one.
    """
    found = _like(study)
    if coupons < min((o.coupons for o in found), default=coupons):
        return None
    known = [o for o in found if o.kind == kind and o.coupons <= coupons + NEAR]
    return min(known, key=lambda o: (abs(o.coupons - coupons), o.coupons), default=None)


def winner(study: Study, coupons: int, kinds: Iterable[str], usual: str) -> TriedPlan | None:
    """The kind of plan that was worth most with as many coupons over ranges as wide; ``usual`` of those worth as much.

    None where the table does not speak: nothing like this study was tried, or not with about as many coupons.

    Parameters
    ----------
    study : Study
    coupons : int
    kinds : iterable of str
        Those that exist with this many coupons.
    usual : str
        What would be made if nothing had been tried.
    """
    sizes = {o.coupons for o in _like(study) if not o.kind.startswith(STEPS)}
    size = min(sizes, key=lambda tried: (abs(tried - coupons), tried), default=0)
    if coupons < min(sizes, default=0) or abs(size - coupons) > NEAR:
        return None
    found = [o for kind in kinds if (o := outcome(study, kind, coupons)) is not None and o.coupons == size]
    return max(found, key=lambda o: (round(o.worth, 3), o.kind == usual), default=None)


def _like(study: Study) -> list[TriedPlan]:
    """What was tried on studies like this one."""
    if len(study.numeric) != SETTINGS or study.categorical:
        return []
    wide = is_wide(study)
    return [o for o in _tried()[0] if o.wide == wide]


def stepwise(study: Study) -> TriedPlan | None:
    """What searches step by step led to that begin as the tool's do."""
    return outcome(study, f"{STEPS}, spread", MOST)
