"""What kinds of plan led to on simulated lines over ranges as wide: what `auto` and the comparison of plans go by.

The shares stand in `templates/tables/plan_decisions.toml`, which `tests/benchmarks/plan_kinds.py --tables` writes, by
number of settings, by factors of two levels beside them and by width: checks alone, one round, on lines of the
population (`doe.practice.population`). Of four settings the kind that was once worth most is taken until another is
better by more than chance; of other numbers, of which fewer lines were tried, one that is better than the usual kind by
more than chance.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import numpy as np

from doe.domain.jsonable import packaged_table, rows
from doe.domain.study import Study

MOST = 40
"""The most coupons of a search step by step."""

BEYOND = 3.0
"""Standard errors of a paired difference from which on it counts: with dozens of them some lie beyond two by chance."""

WANTED = 0.95
"""Pass rate by the checks alone that was wanted of all that was tried; hand-feel was not asked for."""

STEPS = "steps"
"""How kinds of search step by step begin in the table."""

AS_THE_TOOL = f"{STEPS}, auto"
"""A search that begins with the plan that the tool makes; of four settings, several beginnings were tried."""

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
    settings, named : int
        Factors with a range, and factors of two levels beside them.
    usual : str
        Kind that is made with as many coupons where nothing was tried; empty where no difference from it is kept.
    gain, gain_error : float
        `worth` minus that of the usual kind on the same lines, and the standard error of this paired difference.
    taken : bool
        Of four settings, whether this is the kind that is made.
    """

    kind: str
    coupons: int
    wide: bool
    lines: int
    holds: float
    far_off: float
    made: float
    settings: int = 4
    named: int = 0
    usual: str = ""
    gain: float = 0.0
    gain_error: float = 0.0
    taken: bool = False

    @property
    def error(self) -> float:
        """Standard error of `holds`, of a share drawn a little inward so that it is never zero."""
        inward = (self.holds * self.lines + 1) / (self.lines + 2)
        return float(np.sqrt(inward * (1 - inward) / self.lines))

    @property
    def worth(self) -> float:
        """What plans are ranked by: a setpoint far off costs what one that holds is worth."""
        return self.holds - self.far_off

    def may_replace(self, usual: str) -> bool:
        """Whether this may be made in place of a kind: always where no difference is kept, else beyond chance."""
        if not self.usual or self.kind == usual:
            return True
        return self.usual == usual and self.gain > BEYOND * self.gain_error


@cache
def _tried() -> tuple[tuple[TriedPlan, ...], float]:
    table = packaged_table("plan_decisions")
    return rows(TriedPlan, table["plans"]), float(table["wide_from"])


def width(study: Study) -> float:
    """Geometric mean of the widths of the ranges in setting errors."""
    widths = [(f.high - f.low) / f.setting_sd for f in study.numeric if f.setting_sd > 0]
    return float(np.exp(np.mean(np.log(widths)))) if widths else np.nan


def is_wide(study: Study) -> bool:
    """Whether the ranges of a study are wide, counted in setting errors."""
    return width(study) >= _tried()[1]


def outcome(study: Study, kind: str, coupons: int) -> TriedPlan | None:
    """What a kind of plan led to with as many coupons, over ranges as wide.

    None where that was not tried: with factors of which no plan was tried, with fewer coupons than were tried.
    Between sizes that were tried, the nearest speaks, of two as near the smaller one.
    """
    found = _like(study)
    if coupons < min((o.coupons for o in found), default=coupons):
        return None
    known = [o for o in found if o.kind == kind and o.coupons <= coupons + NEAR]
    return min(known, key=lambda o: (abs(o.coupons - coupons), o.coupons), default=None)


def winner(study: Study, coupons: int, kinds: Iterable[str], usual: str) -> TriedPlan | None:
    """The kind of plan that was worth most with as many coupons over ranges as wide; ``usual`` of those worth as much.

    One that is marked as taken comes before all others. Where differences from the usual kind are kept, only those that
    are better than it beyond chance come before it.
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
    known = [o for kind in kinds if (o := outcome(study, kind, coupons)) is not None and o.coupons == size]
    found = [o for o in known if o.taken] or [o for o in known if o.may_replace(usual)]
    return max(found, key=lambda o: (round(o.worth, 3), o.kind == usual), default=None)


def _like(study: Study) -> list[TriedPlan]:
    """What was tried on studies like this one."""
    if study.endured or any(len(f.levels) != 2 for f in study.categorical):
        return []
    question, wide = (len(study.numeric), len(study.categorical)), is_wide(study)
    return [o for o in _tried()[0] if (o.settings, o.named) == question and o.wide == wide]


def tried_factors() -> tuple[tuple[int, int], ...]:
    """Numbers of settings, and of factors of two levels beside them, with which plans were tried."""
    return tuple(sorted({(o.settings, o.named) for o in _tried()[0]}))


def was_tried(study: Study) -> bool:
    """Whether plans were tried with as many factors as a study has."""
    return bool(_like(study))


def stepwise(study: Study) -> TriedPlan | None:
    """What searches step by step led to that begin as the tool's do."""
    return outcome(study, AS_THE_TOOL, MOST) or outcome(study, f"{STEPS}, spread", MOST)
