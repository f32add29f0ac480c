"""Why the answer is what it is: which coupons moved it, what it rests on, what would change it, which prior matters.

Nothing is fitted again. The draws of one fit are weighted anew: without one coupon by the inverse of its likelihood,
with its result turned round by the ratio of the two, with one more coupon by the chance of its outcome. Each set of
weights says how many draws it is worth and whether it can be trusted; where it cannot, the number is still given and
said to be rough. All of it is about the setpoint of the answer; a refit would look for another one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.study import Study
from doe.setpoint.answer import Answer, Verdict
from doe.setpoint.priors import PriorPull, prior_pulls
from doe.setpoint.reweigh import Weights, weigh
from doe.setpoint.robust import RobustRate
from doe.setpoint.verdict import Chance, judge, share_inside
from doe.surfaces import Surfaces
from doe.surfaces.window_model import WindowDraws

FloatArray = NDArray[np.float64]

PRIOR_DRAWS = 600
"""Draws of the model before any coupon, to say what the answer would have been then."""


@dataclass(frozen=True)
class Standing:
    """What is said of the setpoint under one set of weights.

    ``rate`` and ``rate_low`` are the expected robust pass rate and its lower bound, ``p_target`` the probability of the
    wanted rate, ``verdict`` what would be said of this setpoint; ``effective`` how many draws the weights are worth,
    ``pareto_k`` the shape of the largest weights, ``reliable`` whether that is small enough.
    """

    rate: float
    rate_low: float
    p_target: float
    verdict: Verdict
    effective: float
    pareto_k: float
    reliable: bool


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

    ``quantity`` is ``height`` (of the window), ``place`` or ``steepness`` (of a factor), ``trade`` (mean over pairs of
    factors), ``lapse`` or ``hand_top``; ``left`` is the posterior spread as a share of the prior one, 1 for nothing
    learned.
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
    one_more : tuple of OneMore
        One more coupon at the setpoint, then the answer's next coupons.
    learned : tuple of Learned
    priors : tuple of PriorPull
        All together first.
    prior_verdicts : (verdict, verdict)
        What would be said of the setpoint with every prior counted half, and counted double.
    draws : int
    """

    now: Standing
    before: Standing | None
    coupons: tuple[CouponWeight, ...]
    one_more: tuple[OneMore, ...]
    learned: tuple[Learned, ...]
    priors: tuple[PriorPull, ...]
    prior_verdicts: tuple[Verdict, Verdict]
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
    point = pd.DataFrame([dict(answer.setpoint)])
    rate = RobustRate(study, surfaces)
    rates = rate.draws(point, nodes=64)[:, 0]
    ask = _Ask(study, answer, rates, share_inside(surfaces), surfaces.results.coupons)
    now = ask.standing(np.zeros(len(rates)))
    pulls = prior_pulls(traces.priors, rates, target=study.spec.pass_rate, low=1 - study.spec.assurance)
    return Why(
        now=now,
        before=_before(ask, rate, point, surfaces.prior_window(PRIOR_DRAWS)),
        coupons=_coupons(ask, surfaces, now),
        one_more=_one_more(ask, rate, answer, point),
        learned=_learned(surfaces),
        priors=pulls,
        prior_verdicts=(ask.pulled(now, pulls[0], -1.0), ask.pulled(now, pulls[0], 1.0)),
        draws=len(rates),
    )


@dataclass(frozen=True)
class _Ask:
    """What every question about the setpoint needs."""

    study: Study
    answer: Answer
    rates: FloatArray
    inside: float
    coupons: int

    def standing(self, log_ratio: FloatArray, rates: FloatArray | None = None) -> Standing:
        """The setpoint under draws weighted by density ratios."""
        return self.weighted(weigh(log_ratio), self.rates if rates is None else rates)

    def weighted(self, weights: Weights, rates: FloatArray) -> Standing:
        """The setpoint under given weights."""
        spec = self.study.spec
        mean, low = weights.mean(rates), weights.quantile(rates, 1 - spec.assurance)
        reached = weights.mean((rates >= spec.pass_rate).astype(float))
        return Standing(
            mean, low, reached, self.verdict(mean, low, reached), weights.effective, weights.pareto_k, weights.reliable
        )

    def verdict(self, mean: float, low: float, reached: float) -> Verdict:
        """What would be said of the setpoint; whether any setting reaches the target is asked of the answer."""
        chance = Chance(reached, max(self.answer.p_reachable, reached), max(self.answer.best_pass_rate, mean))
        return judge(self.study, chance, mean, low, inside=self.inside, coupons=self.coupons)

    def pulled(self, now: Standing, pull: PriorPull, doublings: float) -> Verdict:
        """The verdict with priors counted 2 to the power ``doublings`` times, on a straight line."""
        moved = (
            (now.rate, pull.rate), (now.rate_low, pull.rate_low), (now.p_target, pull.p_target)
        )  # fmt: skip
        mean, low, reached = (min(max(value + doublings * slope, 0.0), 1.0) for value, slope in moved)
        return self.verdict(mean, low, reached)


def _before(ask: _Ask, rate: RobustRate, point: pd.DataFrame, prior: WindowDraws | None) -> Standing | None:
    if prior is None:
        return None
    return ask.standing(np.zeros(prior.count), rate.draws(point, nodes=64, draws=prior)[:, 0])


def _coupons(ask: _Ask, surfaces: Surfaces, now: Standing) -> tuple[CouponWeight, ...]:
    traces = surfaces.traces
    assert traces is not None
    parts = [surfaces.results, *([] if surfaces.earlier is None else [surfaces.earlier.results])]
    passed = np.concatenate([part.passed for part in parts])
    side = np.concatenate([part.side for part in parts])
    # what an earlier coupon counts for holds for its turned result too
    worth = np.repeat([1.0, 1.0 if surfaces.earlier is None else surfaces.earlier.discount],
                      [surfaces.results.coupons, len(passed) - surfaces.results.coupons])  # fmt: skip
    opposite = np.where(passed, traces.fails, traces.passes) * worth
    found = []
    for i, name in enumerate(traces.coupons):
        left_out = ask.standing(-traces.fit[:, i])
        found.append(
            CouponWeight(
                coupon=str(name),
                passed=bool(passed[i]),
                side=str(side[i]),
                earlier=i >= surfaces.results.coupons,
                left_out=left_out,
                turned=ask.standing(opposite[:, i] - traces.fit[:, i]),
                rate_change=now.rate - left_out.rate,
                low_change=now.rate_low - left_out.rate_low,
            )
        )
    return tuple(sorted(found, key=lambda c: (-abs(c.low_change), -abs(c.rate_change))))


def _one_more(ask: _Ask, rate: RobustRate, answer: Answer, point: pd.DataFrame) -> tuple[OneMore, ...]:
    names = list(rate.study.factor_names)
    frame = pd.concat([point[names], answer.next_coupons[names]], ignore_index=True)
    chance = np.clip(rate.draws(frame, nodes=32, hand=False), 1e-9, 1 - 1e-9)
    now = ask.standing(np.zeros(len(chance)))
    made = []
    for i, settings in enumerate(frame.to_dict("records")):
        passes, fails = ask.standing(np.log(chance[:, i])), ask.standing(np.log1p(-chance[:, i]))
        p_pass = float(chance[:, i].mean())
        spread = p_pass * abs(passes.rate_low - now.rate_low) + (1 - p_pass) * abs(fails.rate_low - now.rate_low)
        plain = {str(n): v if isinstance(v, str) else float(v) for n, v in settings.items()}
        made.append(OneMore("next" if i else "setpoint", i, plain, p_pass, passes, fails, spread))
    return tuple(made)


def _learned(surfaces: Surfaces) -> tuple[Learned, ...]:
    traces = surfaces.traces
    assert traces is not None
    found = [Learned("height", "", float(traces.left["peak_logit"][0]))]
    for quantity in ("place", "steepness"):
        found += [
            Learned(quantity, f.name, float(share))
            for f, share in zip(surfaces.scaling.numeric, traces.left[quantity], strict=True)
        ]
    if "trade" in traces.left:
        found.append(Learned("trade", "", float(traces.left["trade"].mean())))
    found.append(Learned("lapse", "", float(traces.left["lapse"][0])))
    if surfaces.has_hand:
        found.append(Learned("hand_top", "", float(traces.left["hand_top"][0])))
    return tuple(found)
