"""The recommendation: setpoint, window, how sure, verdict, and what to make next."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd

from doe.domain.errors import check_seed
from doe.domain.finding import Finding
from doe.domain.study import Study
from doe.setpoint.answer import BOTH_ONCE, Answer
from doe.setpoint.chances import lower_hand
from doe.setpoint.curves import find_edges
from doe.setpoint.next_coupons import choose_coupons
from doe.setpoint.priors import prior_warning
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import find_setpoint
from doe.setpoint.standing import SetpointDraws, judge_for
from doe.setpoint.verdict import (
    OUT_OF_REACH_GAP,
    READY_LOW_SHORTFALL,
    certainty_limits,
    chances,
    error_rates,
    find_gaps,
    judge,
    next_size,
    possible_changes,
    reach_threshold,
    share_inside,
)
from doe.setpoint.window import find_window
from doe.surfaces.facts import fact
from doe.surfaces.fitted import Surfaces


def recommend(
    study: Study, surfaces: Surfaces, *, seed: int = 0, progress: Callable[[float], None] | None = None
) -> Answer:
    """Recommend a robust operating point for a study.

    Parameters
    ----------
    study : Study
        The study, which may carry another spec, setting errors or limits than at the time of the fit.
    surfaces : Surfaces
        What `fit` returned.
    seed : int
        The same seed, surfaces and version give the same answer.
    progress : callable, optional
        Called with the share done, 0 to 1.

    Raises
    ------
    InputError
        If limits and forbidden combinations leave no setting.
    """
    tell = progress or (lambda share: None)
    check_seed(seed)
    rng = np.random.default_rng(seed)
    rate = RobustRate(study, surfaces)
    found = find_setpoint(rate, rng=rng)
    tell(0.4)
    point, rates = found.setpoint, found.rates
    low = 1 - study.spec.assurance
    pass_rate, pass_rate_low = float(rates.mean()), float(np.quantile(rates, low))
    checks = float(rate.draws(point, nodes=64, hand=False).mean()) if rate.uses_hand else pass_rate
    chance = chances(study, rates, found.best)
    made = surfaces.results.coupons
    by_numbers = judge(study, chance, pass_rate, pass_rate_low, inside=share_inside(surfaces), coupons=made)
    gaps = find_gaps(study, surfaces)
    verdict = gaps.hold_back(by_numbers)
    window = None if gaps.unvaried else find_window(rate, point, kind="expected", rng=rng)
    is_assured = pass_rate_low >= study.spec.pass_rate and not gaps.is_open
    assured = find_window(rate, point, kind="assured", rng=rng) if is_assured else None
    tell(0.8)
    hand, hand_low, hand_high = _hand(study, surfaces, point, low)
    size = next_size(study, made)
    asks_for_more = verdict == "more coupons" and not gaps.is_scoring_enough(by_numbers)
    spent = (fact("budget_used", coupons=made),) if asks_for_more and not size else ()
    setpoint = {name: _plain(point[name].iloc[0]) for name in study.factor_names}
    following = (
        choose_coupons(rate, found, size, rng=rng)
        if asks_for_more and size
        else pd.DataFrame(columns=list(study.factor_names))
    )
    said = certainty_limits(surfaces, pass_rate, pass_rate_low, gaps, checks_pass_rate=checks)
    leaning = _leaning(SetpointDraws(study, rates, found.best, judge_for(study, surfaces)), surfaces)
    cliffs, room = find_edges(study, surfaces, setpoint, window)
    changes: tuple[Finding, ...] = ()
    if verdict == "not reachable":
        changes = possible_changes(study, surfaces, _checks_best(study, surfaces, seed))
    answer = Answer(
        setpoint=setpoint,
        window=window,
        assured_window=assured,
        pass_rate=pass_rate,
        pass_rate_low=pass_rate_low,
        checks_pass_rate=checks,
        hand=hand,
        hand_low=hand_low,
        hand_high=hand_high,
        verdict=verdict,
        p_target=chance.p_target,
        best_pass_rate=chance.best,
        p_reachable=chance.p_reachable,
        next_coupons=following,
        cliffs=cliffs,
        limits_on_certainty=(*spent, *said, *leaning),
        changes=changes,
        warnings=(*surfaces.warnings, *leaning),
        method={
            "model": "" if surfaces.model is None else surfaces.model.name,
            "draws": surfaces.draws.count,
            "setting_error": BOTH_ONCE,
            "ready_rate": study.spec.pass_rate,
            "ready_shortfall": READY_LOW_SHORTFALL,
            "reach_chance": reach_threshold(study, made),
            "reach_gap": OUT_OF_REACH_GAP,
            **error_rates(study, made),
        },
        seed=seed,
        room=() if gaps.unvaried or pass_rate < study.spec.pass_rate else room,
    )
    tell(1.0)
    return answer


def _leaning(asked: SetpointDraws, surfaces: Surfaces) -> tuple[Finding, ...]:
    """That the answer leans on the priors, where it does."""
    if surfaces.traces is None:
        return ()
    now, pulls = asked.as_answered(), asked.pulls(surfaces.traces.priors)
    return prior_warning(pulls, now.verdict, asked.prior_verdicts(now, pulls[0]))


def _checks_best(study: Study, surfaces: Surfaces, seed: int) -> float:
    """Expected best robust rate of the checks alone: where hand-feel fails everywhere, its best places say nothing."""
    checks = replace(study, spec=replace(study.spec, hand_min=None))
    return float(find_setpoint(RobustRate(checks, surfaces), rng=np.random.default_rng(seed)).best.mean())


def _plain(value: object) -> float | str:
    return value if isinstance(value, str) else float(value)  # type: ignore[arg-type] # a column holds levels or numbers


def _hand(
    study: Study, surfaces: Surfaces, point: pd.DataFrame, low: float
) -> tuple[float | None, float | None, float | None]:
    """Mean hand-feel at a setting with its limits, on the stiffest level of endured factors."""
    draws = surfaces.hand_draws(point)
    if draws is None:
        return None, None, None
    ends = np.quantile(draws[:, 0], [low, 1 - low])
    mean = float(draws[:, 0].mean())
    return mean, lower_hand(mean, float(ends[0])), float(ends[1])
