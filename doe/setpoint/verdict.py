"""The verdict, and the facts that go with it.

Thresholds were chosen on simulated lines (tuning seeds), not by taste; the error rates they lead to are
printed by the decisions benchmark and kept in `ERROR_RATES`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doe.domain.coding import FloatArray
from doe.domain.factors import Factor
from doe.domain.finding import Finding
from doe.domain.outcome import HELD, LATE, WAITING
from doe.domain.study import STEP_COUPONS, Study
from doe.setpoint.answer import Verdict
from doe.setpoint.chances import said_chance
from doe.surfaces.belief import MIXED
from doe.surfaces.facts import fact
from doe.surfaces.fitted import Surfaces
from doe.surfaces.hand_scores import doubt_scorers
from doe.surfaces.unvaried import hardly_varied, untried_levels, unvaried_facts
from doe.surfaces.washing import survives

READY_LOW_SHORTFALL = 0.10
"""Ready: the expected pass rate reaches the wanted one, so there is a window, and its lower bound falls short of it by
no more than this."""

LEAST_INSIDE = 0.5
"""... and no fewer than this share of the coupons was made in or near the tested region: else the rate is a guess."""

OUT_OF_REACH = 0.5
"""Not reachable: that no tested setting reaches the wanted pass rate is more likely than that one does ..."""

OUT_OF_REACH_GAP = 0.05
"""... and even the best setting of a typical draw falls short by more than this."""


STEP_READY, STEP_READY_FROM = 0.80, 16
"""A search step by step looks at its results again and again, so it is called ready only where the chance that the
setpoint reaches the target is at least this, from so many coupons on ..."""

STEP_OUT_OF_REACH, STEP_OUT_FROM = 0.20, 20
"""... and not reachable below this chance, from so many coupons on, or below the usual one when its budget is spent.
Chosen on tuning lines with every look counted (`tests/benchmarks/stopping.py`)."""


ERROR_RATES: dict[str, float] = {
    "locked_lines": 300,
    "false_ready_20": 12,
    "false_ready_28": 10,
    "ready_below_90_20": 3,
    "ready_below_90_28": 4,
    "bound_held_20": 93,
    "bound_held_28": 90,
    "false_reach_20": 3,
    "false_reach_28": 3,
    "true_reach_20": 54,
    "true_reach_28": 45,
}
"""What the thresholds lead to, of 100, with 20 and 28 coupons, a wanted rate of 95 % and four factors, on lines of
families that no threshold was chosen on, as `tests/benchmarks/decisions.py --world locked --no-hand` printed it on
2026-11-30: called ready, truly below the wanted rate; the same, truly below 90 %; lower bound held (stated: 90); not
reachable said although a setting existed; not reachable said where none existed."""

FEW_COUPONS = 20
"""The rates above were counted with this many coupons or more."""

WORSE_RATES: dict[str, float] = {
    "worse_below": FEW_COUPONS,
    "worse_called_12": 10,
    "worse_false_ready_12": 20,
    "worse_ready_below_90_12": 10,
    "worse_bound_held_12": 93,
}
"""Goes with the rates above when an answer rests on fewer coupons than they were counted with: those with 12."""


SEARCH_RATES: dict[bool, dict[str, float]] = {
    False: {
        "searched_lines": 300,
        "false_ready_40": 19,
        "ready_below_90_40": 6,
        "bound_held_40": 93,
        "false_reach_40": 5,
        "true_reach_40": 62,
    },
    True: {
        "searched_lines": 300,
        "false_ready_40": 17,
        "ready_below_90_40": 6,
        "bound_held_40": 91,
        "false_reach_40": 7,
        "true_reach_40": 76,
    },
}
"""The same of searches step by step up to 40 coupons, every look counted, by whether coupons are graded: what the same
script printed with ``--step-by-step`` and ``--grades``."""


NEXT_COUPONS = 8
"""Coupons proposed for a next round."""


LOOK_AGAIN = 3
"""Coupons to look at again where the map cannot be trusted."""


@dataclass(frozen=True)
class Gaps:
    """What no coupon speaks of, so that only assumptions do.

    Attributes
    ----------
    unvaried : tuple of Factor
        Numeric factors that were hardly varied: neither a setpoint nor the lack of one is shown, and no window.
    hand : bool
        Hand-feel is wanted and was never scored: half of the spec was not looked at, so nothing is ready or assured.
    untried : tuple of (Factor, str)
        Levels with which no coupon was made: that no setting is good is not shown, and where one setting has to hold
        on every level, neither is that one does.
    can_feel : bool
        A coupon of this study transferred, so there is one to feel.
    at_odds : tuple of str
        Where the map cannot be trusted (`contradicted`): the coupons that agree with it least. Nothing is
        ready then, nor is it out of reach: a map that cannot be trusted shows neither.
    unfinished : int
        Coupons that pass so far and wait for a check, such as a wash: while there are any, nothing is ready.
    borrowed : bool
        Coupons of an earlier study count for more than this study's own: nothing is ready on another material.
    """

    unvaried: tuple[Factor, ...] = ()
    hand: bool = False
    untried: tuple[tuple[Factor, str], ...] = ()
    can_feel: bool = True
    at_odds: tuple[str, ...] = ()
    unfinished: int = 0
    borrowed: bool = False

    @property
    def unseen_levels(self) -> bool:
        """Whether one setting has to hold on a level with which no coupon was made."""
        return any(f.endured for f, _ in self.untried)

    @property
    def is_open(self) -> bool:
        """Whether what would decide an assurance is outstanding, so that none is given."""
        return bool(self.unvaried or self.hand or self.unfinished or self.at_odds or self.unseen_levels)

    def hold_back(self, verdict: Verdict) -> Verdict:
        """The most that may be said where the numbers alone would say ``verdict``."""
        open_question = self.hand or self.unfinished or self.borrowed or self.unseen_levels
        if self.unvaried or self.at_odds:
            return "more coupons"
        if (open_question and verdict == "ready") or (self.untried and verdict == "not reachable"):
            return "more coupons"
        return verdict

    def is_scoring_enough(self, verdict: Verdict) -> bool:
        """Whether scoring the coupons that are there would do, no new one made; ``verdict`` is that of the numbers."""
        if self.unvaried or self.at_odds or self.borrowed or self.unseen_levels or verdict != "ready":
            return False
        return self.can_feel if self.hand else self.unfinished > 0


def find_gaps(study: Study, surfaces: Surfaces) -> Gaps:
    """What the coupons behind these surfaces were never asked about this study."""
    return Gaps(
        hardly_varied(surfaces.scaling, surfaces.results, surfaces.earlier),
        study.spec.hand_min is not None and not surfaces.has_hand,
        untried_levels(study, surfaces.results, surfaces.earlier),
        bool(surfaces.results.passed.any()),
        contradicted(surfaces),
        int(surfaces.results.unfinished.sum()),
        surfaces.earlier is not None and surfaces.earlier.worth > surfaces.results.coupons,
    )


def contradicted(surfaces: Surfaces) -> tuple[str, ...]:
    """The coupons that agree least with a map that cannot be trusted, the worst first; none where it can be.

    It cannot where it calls left-out coupons no better than their pass share does, or where passes and fails are more
    mixed than it explains. Where all coupons ended alike nothing contradicts it.
    """
    results, belief = surfaces.results, surfaces.belief
    if results.passed.all() or not results.passed.any():
        return ()
    if belief.score > belief.score_no_factor and belief.fit_p_value >= MIXED:
        return ()
    seen = np.where(results.passed, belief.p_left_out, 1 - belief.p_left_out)
    return tuple(str(name) for name in results.coupon[np.argsort(seen, kind="stable")[:LOOK_AGAIN]])


@dataclass(frozen=True)
class Chance:
    """What the draws say about the target, see `doe.setpoint.chances`.

    ``p_target``: probability that the setpoint reaches it; ``p_reachable``: that any tested setting does;
    ``best``: expected best rate anywhere in the tested region.
    """

    p_target: float
    p_reachable: float
    best: float


def chances(study: Study, rates: FloatArray, best: FloatArray) -> Chance:
    """Chances from the rates at the setpoint and the best of each draw, each of shape (draws,)."""
    target = study.spec.pass_rate
    reached, any_reached = float((rates >= target).mean()), float((best >= target).mean())
    return Chance(
        float(said_chance(study, reached, "setpoint reaches")),
        float(said_chance(study, any_reached, "any reaches")),
        float(best.mean()),
    )


def judge(
    study: Study,
    chance: Chance,
    pass_rate: float,
    pass_rate_low: float,
    *,
    inside: float = 1.0,
    coupons: int = FEW_COUPONS,
) -> Verdict:
    """Verdict by the thresholds above.

    Parameters
    ----------
    study, chance, pass_rate, pass_rate_low
        What is wanted, and what the draws say.
    inside : float
        Share of the coupons in or near the tested region.
    coupons : int
        Coupons behind the draws.
    """
    target, stepwise = study.spec.pass_rate, study.most_coupons is not None
    holds = inside >= LEAST_INSIDE and pass_rate >= target and pass_rate_low >= target - READY_LOW_SHORTFALL
    if holds and (not stepwise or (coupons >= STEP_READY_FROM and chance.p_target >= STEP_READY)):
        return "ready"
    if chance.p_reachable < reach_threshold(study, coupons) and chance.best < target - OUT_OF_REACH_GAP:
        return "not reachable"
    return "more coupons"


def reach_threshold(study: Study, coupons: int) -> float:
    """Chance that any setting reaches the target below which it is called not reachable, with so many coupons."""
    if study.most_coupons is None or coupons >= study.most_coupons:
        return OUT_OF_REACH
    return STEP_OUT_OF_REACH if coupons >= STEP_OUT_FROM else 0.0


def next_size(study: Study, made: int) -> int:
    """Coupons proposed after ``made`` of them: a step, no more than the budget leaves, or a usual second round."""
    return NEXT_COUPONS if study.most_coupons is None else max(0, min(STEP_COUPONS, study.most_coupons - made))


def error_rates(study: Study, coupons: int) -> dict[str, float]:
    """How often such verdicts are wrong on simulated lines, and whether that holds with so few coupons."""
    if study.most_coupons is not None:
        return SEARCH_RATES[study.asks_grades]
    return ERROR_RATES if coupons >= FEW_COUPONS else ERROR_RATES | WORSE_RATES


def share_inside(surfaces: Surfaces) -> float:
    """Share of the scored coupons in the tested region, or at most a quarter of a range outside it."""
    z = surfaces.scaling.z(surfaces.results.settings)
    return float((np.abs(z) <= 1.5).all(axis=1).mean())


def certainty_limits(
    surfaces: Surfaces, pass_rate: float, pass_rate_low: float, gaps: Gaps, *, checks_pass_rate: float
) -> tuple[Finding, ...]:
    """What keeps the statement from being surer, most important first."""
    found = [*unvaried_facts(gaps.unvaried)]
    if surfaces.study.endured:
        found.append(fact("every_level", factors=tuple(f.name for f in surfaces.study.endured)))
    if gaps.at_odds:
        found.append(fact("contradicted", names=gaps.at_odds))
        found += [f for f in surfaces.belief.facts if f.code in ("predicts_alike", "predicts_worse", "too_mixed")]
    if gaps.borrowed and surfaces.earlier is not None:
        found.append(fact("mostly_earlier", coupons=surfaces.results.coupons, value=surfaces.earlier.worth))
    waiting = int((surfaces.results.wash == WAITING).sum())
    if waiting:
        washed = int(np.isin(surfaces.results.wash, (HELD, LATE)).sum())
        earlier = surfaces.earlier_washes
        share = survives(surfaces.results, checks_pass_rate, earlier)
        found.append(fact("unwashed", coupons=waiting, of=washed, value=share))
        if earlier.washed:
            found.append(fact("shop_washes", coupons=earlier.failed, of=earlier.washed, value=earlier.part))
    early = int(surfaces.results.open_at_press.sum())
    if early:
        found.append(fact("unfinished", coupons=early))
    gap = pass_rate - pass_rate_low
    if gap > 0.02:
        found.append(fact("rate_open", coupons=surfaces.results.coupons, value=gap))
    lapse = float(surfaces.draws.lapse.mean())
    if lapse > 0.03:
        found.append(fact("lapses", value=lapse))
    if not surfaces.results.measured.to_numpy().any():
        found.append(fact("not_measured"))
    return tuple(dict.fromkeys((*found, *surfaces.warnings)))


def possible_changes(study: Study, surfaces: Surfaces, checks_best: float) -> tuple[Finding, ...]:
    """What could be changed when no tested setting reaches the target.

    Parameters
    ----------
    study, surfaces
    checks_best : float
        Expected best robust rate of the checks alone, hand-feel left aside.
    """
    found = []
    if surfaces.has_hand and study.spec.hand_min is not None and checks_best >= study.spec.pass_rate - 0.03:
        doubt = doubt_scorers(surfaces.everything)
        if doubt is None:
            found.append(fact("hand_fails"))
        else:
            found.append(fact("hand_fails_in_doubt", about=doubt.code, **doubt.values))
            found.append(fact("softer_if_scores_stand"))
    peak = surfaces.draws.peak.reshape(-1, len(surfaces.scaling.numeric))
    for j, f in enumerate(surfaces.scaling.numeric):
        low, high = study.limits.bounds(f.name, f.heated_mm) if study.limits else (None, None)
        if (peak[:, j] > 1).mean() >= 0.5:
            found.append(fact("best_above", factors=(f.name,), value=f.high, limit=high))
        if (peak[:, j] < -1).mean() >= 0.5:
            found.append(fact("best_below", factors=(f.name,), value=f.low, limit=low))
    wide = tuple(f.name for f in study.numeric if f.setting_sd > (f.high - f.low) / 6)
    if wide:
        found.append(fact("wide_error", factors=wide))
    return (*found, fact("other_stack"))
