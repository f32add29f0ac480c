"""Why the answer is what it is: which coupons moved it, what it rests on, what would change it, which prior matters.

The closing window is not fitted again. Its draws are weighted anew: without one coupon by the inverse of its
likelihood, with its result turned round by the ratio of the two, with one more coupon by the chance of its outcome.
Each set of weights says how many draws it is worth and whether it can be trusted; where it cannot, the number is still
given and said to be rough. All of it is about the setpoint of the answer, and about whether any setting reaches what is
wanted; a refit may prefer another setpoint. Only the other kind of surface beside it (`averaged`) is a fit of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from doe.domain.study import Study
from doe.setpoint.alternatives import Alternative, other_settings
from doe.setpoint.answer import Answer, Verdict
from doe.setpoint.averaged import Averaged, average_with_mechanisms
from doe.setpoint.grounds import (
    CliffGround,
    FitCoupons,
    HandGround,
    WindowEnd,
    edges_and_cliffs,
    hand_ground,
    made_coupons,
)
from doe.setpoint.priors import PriorPull
from doe.setpoint.reweigh import Weights, weigh
from doe.setpoint.robust import RobustRate
from doe.setpoint.standing import SetpointDraws, Standing, ask
from doe.surfaces.contract import Traces
from doe.surfaces.fitted import Surfaces

PRIOR_DRAWS, PRIOR_BEST = 600, 100
"""Draws of the model before any coupon, to say what the answer would have been then; and those of them that are asked
for the best setting anywhere."""


@dataclass(frozen=True)
class CouponWeight:
    """One coupon of the fit: the answer without it, and with its result turned round.

    Attributes
    ----------
    coupon : str
    passed : bool
    side : str
    earlier : bool
        Whether it is a coupon of an earlier study.
    left_out, turned : Standing
        ``turned``: a pass becomes a failure whose side nobody named and whose hand-feel is gone; a failure a pass whose
        hand-feel is not known.
    rate_change, low_change : float
        What the coupon did: the answer with it minus the one without.
    """

    coupon: str
    passed: bool
    side: str
    earlier: bool
    left_out: Standing
    turned: Standing
    rate_change: float
    low_change: float


@dataclass(frozen=True)
class OneMore:
    """What one more coupon would do: its settings, its chance to pass, and the setpoint's standing after either end.

    ``place`` says whether it is made at the setpoint or is one of the answer's next coupons (numbered from 1 in
    ``number``). ``low_spread`` is the expected distance the lower bound moves, whichever way.
    """

    place: Literal["setpoint", "next"]
    number: int
    settings: dict[str, float | str]
    p_pass: float
    after_pass: Standing
    after_fail: Standing
    low_spread: float


@dataclass(frozen=True)
class Learned:
    """How much of what was not known before the coupons is still not known.

    ``quantity`` is one of `SurfaceModel.quantities`, ``place`` and ``steepness`` of a factor; ``left`` is the posterior
    spread as a share of the prior one (mean over the parameters behind the quantity), 1 for nothing learned.
    """

    quantity: str
    factor: str
    left: float


@dataclass(frozen=True)
class Why:
    """The reasons behind the numbers of one answer.

    Attributes
    ----------
    now : Standing
        The setpoint as the draws see it; within rounding what the answer says.
    before : Standing or None
        The same setpoint before any coupon, from the priors alone.
    coupons : tuple of CouponWeight
        What moved the lower bound most first.
    ends : tuple of WindowEnd
        Of the expected window, lower and higher end of each numeric factor; empty without a window.
    cliffs : tuple of CliffGround
        In the order of the answer's.
    hand : HandGround or None
        None without any score.
    alternatives : tuple of Alternative
        The setpoint, and what a shop would take without a model.
    one_more : tuple of OneMore
        One more coupon at the setpoint, then the answer's next coupons.
    learned : tuple of Learned
    priors : tuple of PriorPull
        All together first.
    prior_verdicts : (verdict, verdict)
        What would be said of the setpoint with every prior counted half, and counted double.
    averaged : Averaged or None
        The setpoint with another kind of surface averaged in; None where that does not know the study's factors.
    draws : int
    """

    now: Standing
    before: Standing | None
    coupons: tuple[CouponWeight, ...]
    ends: tuple[WindowEnd, ...]
    cliffs: tuple[CliffGround, ...]
    hand: HandGround | None
    alternatives: tuple[Alternative, ...]
    one_more: tuple[OneMore, ...]
    learned: tuple[Learned, ...]
    priors: tuple[PriorPull, ...]
    prior_verdicts: tuple[Verdict, Verdict]
    averaged: Averaged | None
    draws: int


def explain_answer(study: Study, surfaces: Surfaces, answer: Answer) -> Why:
    """Give the reasons behind an answer.

    Parameters
    ----------
    study, surfaces
        As given to `doe.recommend`.
    answer : Answer
        What it returned, or a kept answer to the same coupons.

    Raises
    ------
    ValueError
        If the surfaces were put together by hand, without the model behind them.
    """
    traces = surfaces.traces
    if traces is None:
        raise ValueError("the surfaces carry no model: use those that `fit` returned")
    rate = RobustRate(study, surfaces)
    asked, looked_at = ask(study, surfaces, answer)
    now, pulls = asked.as_answered(), asked.pulls(traces.priors)
    made = made_coupons(surfaces)
    without = [weigh(-traces.fit[:, i]) for i in range(len(made.names))]
    ends, cliffs = edges_and_cliffs(rate, answer, made, without)
    return Why(
        now=now,
        before=_before(asked, rate, answer, looked_at),
        coupons=_coupons(asked, traces, made, without, now),
        ends=ends,
        cliffs=cliffs,
        hand=hand_ground(study, surfaces, answer, made, without),
        alternatives=other_settings(study, surfaces, answer),
        one_more=_one_more(asked, rate, answer, now),
        learned=_learned(surfaces),
        priors=pulls,
        prior_verdicts=asked.prior_verdicts(now, pulls[0]),
        averaged=average_with_mechanisms(study, surfaces, answer),
        draws=len(asked.rates),
    )


def _before(asked: SetpointDraws, rate: RobustRate, answer: Answer, looked_at: pd.DataFrame) -> Standing | None:
    prior = rate.surfaces.prior_draws(PRIOR_DRAWS)
    if prior is None:
        return None
    rates = rate.draws(pd.DataFrame([dict(answer.setpoint)]), nodes=64, draws=prior)[:, 0]
    best = rate.draws(looked_at, nodes=8, draws=prior.thin(PRIOR_BEST)).max(axis=1)
    return SetpointDraws(asked.study, rates, best, asked.judge).as_answered()


def _coupons(
    asked: SetpointDraws, traces: Traces, made: FitCoupons, without: Sequence[Weights], now: Standing
) -> tuple[CouponWeight, ...]:
    # what an earlier coupon counts for holds for its turned result too
    opposite = np.where(made.passed, traces.fails, traces.passes) * made.worth
    found = []
    for i, name in enumerate(made.names):
        left_out = asked.weighted(without[i])
        found.append(
            CouponWeight(
                coupon=name,
                passed=bool(made.passed[i]),
                side=str(made.side[i]),
                earlier=i >= made.own,
                left_out=left_out,
                turned=asked.standing(opposite[:, i] - traces.fit[:, i]),
                rate_change=now.rate - left_out.rate,
                low_change=now.rate_low - left_out.rate_low,
            )
        )
    return tuple(sorted(found, key=lambda c: (-abs(c.low_change), -abs(c.rate_change))))


def _one_more(asked: SetpointDraws, rate: RobustRate, answer: Answer, now: Standing) -> tuple[OneMore, ...]:
    names = list(rate.study.factor_names)
    point = pd.DataFrame([dict(answer.setpoint)])
    frame = pd.concat([point[names], answer.next_coupons[names]], ignore_index=True)
    chance = np.clip(rate.draws(frame, nodes=32, hand=False), 1e-9, 1 - 1e-9)
    made = []
    for i, settings in enumerate(frame.to_dict("records")):
        passes, fails = asked.standing(np.log(chance[:, i])), asked.standing(np.log1p(-chance[:, i]))
        p_pass = float(chance[:, i].mean())
        spread = p_pass * abs(passes.rate_low - now.rate_low) + (1 - p_pass) * abs(fails.rate_low - now.rate_low)
        plain = {str(n): v if isinstance(v, str) else float(v) for n, v in settings.items()}
        made.append(OneMore("next" if i else "setpoint", i, plain, p_pass, passes, fails, spread))
    return tuple(made)


def _learned(surfaces: Surfaces) -> tuple[Learned, ...]:
    traces = surfaces.traces
    assert traces is not None
    found = []
    for quantity in ("height", "place", "steepness", "trade", "lapse", "hand_top"):
        left = traces.left.get(quantity)
        if left is None or (quantity == "hand_top" and not surfaces.has_hand):
            continue
        if quantity in ("place", "steepness"):
            found += [
                Learned(quantity, f.name, float(share)) for f, share in zip(surfaces.scaling.numeric, left, strict=True)
            ]
        else:
            found.append(Learned(quantity, "", float(left.mean())))
    return tuple(found)
