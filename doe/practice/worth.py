"""What a number of coupons buys: plans of several sizes tried on simulated lines like the study's.

The lines are drawn from the population (`doe.practice.population`), with the study's factors, ranges, setting errors
and wanted pass rate. Each is planned, made, fitted and decided upon as the tool would, and the answer held against the
line's truth. Real lines differ; what carries over is the comparison between sizes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.domain.errors import InputError
from doe.domain.stack import DEFAULT_LINE, Line
from doe.domain.study import Study
from doe.plans.build import make_plan
from doe.plans.judge import judge_plan
from doe.practice.population.draw import FAMILIES, draw_line
from doe.setpoint.recommendation import recommend
from doe.surfaces.fitted import PARTICLES, fit

SIZES = (12, 16, 20, 28, 40)
"""Coupons that are compared."""

LINES = 7 * len(FAMILIES)
"""Lines tried by default: seven of each family."""

FIRST_SEED = 40_000
"""Seed of the first line: none that a threshold was chosen on, a figure published with, or an exercise made of."""

BAD_BY = 0.15
"""A setpoint is called bad when its true pass rate falls short of the wanted one by more than this."""


@dataclass(frozen=True)
class Tried:
    """One size on one line (its kind is its family): verdict, true robust pass rate at the setpoint and at the best."""

    kind: str
    seed: int
    coupons: int
    verdict: str
    true: float
    best: float


@dataclass(frozen=True)
class Share:
    """``hits`` of ``lines``, as a share with its standard error (of a share drawn a little inward, so never zero)."""

    hits: int
    lines: int

    @property
    def value(self) -> float:
        """The share itself; 0 when there was no line."""
        return self.hits / self.lines if self.lines else 0.0

    @property
    def error(self) -> float:
        """Standard error of the share."""
        inward = (self.hits + 1) / (self.lines + 2)
        return float(np.sqrt(inward * (1 - inward) / max(self.lines, 1)))


@dataclass(frozen=True)
class Worth:
    """What one size bought on the lines tried.

    Attributes
    ----------
    coupons : int
    hours : float
        At the machines for the plan of this size, one person.
    ready, good, bad : Share
        Of the lines where the wanted rate can be reached: called ready; setpoint truly reaches the wanted rate;
        setpoint truly below it by more than `BAD_BY`, whatever the verdict.
    ready_bad : Share
        Of every line called ready: setpoint truly below the wanted rate by more than `BAD_BY`.
    given_up : Share
        Of the lines where the wanted rate can be reached: called not reachable.
    found_out : Share
        Of the lines where it cannot: called not reachable.
    """

    coupons: int
    hours: float
    ready: Share
    good: Share
    bad: Share
    ready_bad: Share
    given_up: Share
    found_out: Share


def lines_to_try(count: int = LINES) -> list[tuple[str, int]]:
    """Family and seed of each line; a longer list starts with a shorter one."""
    families = list(FAMILIES)
    return [(families[i % len(families)], FIRST_SEED + i) for i in range(count)]


def possible_sizes(study: Study, sizes: Sequence[int] = SIZES, line: Line = DEFAULT_LINE) -> dict[int, float]:
    """Hours at the machines of the plan of each size that this study can be planned with."""
    hours = {}
    for coupons in sizes:
        try:
            hours[coupons] = judge_plan(make_plan(study, coupons=coupons, line=line), line=line).hours
        except InputError:  # too few coupons for so many factors
            continue
    return hours


def try_line(
    study: Study, family: str, seed: int, sizes: Sequence[int], *, line: Line = DEFAULT_LINE, particles: int = PARTICLES
) -> tuple[Tried, ...]:
    """Each size on one simulated line; empty when no line of this family fits the study.

    Parameters
    ----------
    study : Study
    family, seed
        Of the line; see `doe.practice.population.draw.draw_line`.
    sizes : sequence of int
        Coupons, each of which the study can be planned with.
    line : Line
        For the order of the coupons.
    particles : int
        Posterior draws of each fit.
    """
    try:
        simulated = draw_line(family, seed, study)
    except InputError:  # ranges, setting errors and spec leave no such line
        return ()
    found = []
    for coupons in sizes:
        plan = make_plan(study, coupons=coupons, seed=seed, line=line)
        surfaces = fit(study, simulated.run(plan.coupons, seed), seed=seed, particles=particles)
        answer = recommend(study, surfaces, seed=seed)
        rate = float(simulated.robust_pass(pd.DataFrame([dict(answer.setpoint)]))[0])
        found.append(Tried(family, seed, coupons, answer.verdict, rate, simulated.best().robust_pass))
    return tuple(found)


def worth(study: Study, tried: Sequence[Tried], hours: dict[int, float]) -> tuple[Worth, ...]:
    """Sum up what was tried, one row a size."""
    target = study.spec.pass_rate
    rows = []
    for coupons, spent in hours.items():
        mine = [t for t in tried if t.coupons == coupons]
        able = [t for t in mine if t.best >= target]
        unable = [t for t in mine if t.best < target]
        ready = [t for t in mine if t.verdict == "ready"]
        rows.append(
            Worth(
                coupons=coupons,
                hours=spent,
                ready=_share(t.verdict == "ready" for t in able),
                good=_share(t.true >= target for t in able),
                bad=_share(t.true < target - BAD_BY for t in able),
                ready_bad=_share(t.true < target - BAD_BY for t in ready),
                given_up=_share(t.verdict == "not reachable" for t in able),
                found_out=_share(t.verdict == "not reachable" for t in unable),
            )
        )
    return tuple(rows)


def _share(hits: Iterable[bool]) -> Share:
    found = list(hits)
    return Share(sum(found), len(found))
