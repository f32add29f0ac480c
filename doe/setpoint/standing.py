"""Where a setpoint stands under any weights of the draws: its rate, what any setting reaches, and the verdict."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.study import Study
from doe.setpoint.answer import Answer, Verdict
from doe.setpoint.chances import said_chance
from doe.setpoint.priors import PriorPull, prior_pulls
from doe.setpoint.reweigh import FloatArray, Weights, weigh
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import first_look
from doe.setpoint.verdict import Chance, find_gaps, judge, share_inside
from doe.surfaces.contract import thinned_rows
from doe.surfaces.fitted import Surfaces

Judge = Callable[[Chance, float, float], Verdict]

NOISE = 2.0
"""Standard errors of the draws within which a number may lie on the other side of a threshold."""


@dataclass(frozen=True)
class Standing:
    """What is said of the setpoint under one set of weights.

    ``rate`` and ``rate_low`` are the expected robust pass rate and its lower bound, ``p_target`` the probability of the
    wanted rate there, ``p_reachable`` that of the wanted rate anywhere, ``best`` the expected best rate anywhere;
    ``verdict`` what would be said, ``firm`` whether that holds within the noise of the draws; ``effective`` how many
    draws the weights are worth, ``pareto_k`` the shape of the largest weights, ``reliable`` whether that is small
    enough.
    """

    rate: float
    rate_low: float
    p_target: float
    p_reachable: float
    best: float
    verdict: Verdict
    firm: bool
    effective: float
    pareto_k: float
    reliable: bool


def judge_for(study: Study, surfaces: Surfaces) -> Judge:
    """The verdict as `doe.recommend` gives it to this study and these surfaces, for any numbers."""
    inside, coupons, gaps = share_inside(surfaces), surfaces.results.coupons, find_gaps(study, surfaces)

    def judged(chance: Chance, rate: float, rate_low: float) -> Verdict:
        return gaps.hold_back(judge(study, chance, rate, rate_low, inside=inside, coupons=coupons))

    return judged


def ask(study: Study, surfaces: Surfaces, answer: Answer) -> tuple[SetpointDraws, pd.DataFrame]:
    """Look again at the setpoint of an answer, and around as its search did first: the same draws, the same numbers.

    Given back with the settings that were looked at around. A kept answer of another version may have been given by
    other draws; then `Asked.as_answered` differs from it.
    """
    rate = RobustRate(study, surfaces)
    first = first_look(rate, rng=np.random.default_rng(answer.seed))
    rates = rate.draws(pd.DataFrame([dict(answer.setpoint)]), nodes=64)[:, 0]
    return SetpointDraws(study, rates, first.best, judge_for(study, surfaces)), first.points


@dataclass(frozen=True)
class SetpointDraws:
    """What every question about the setpoint needs.

    Attributes
    ----------
    study : Study
    rates : array, shape (draws,)
        Robust pass rate at the setpoint.
    best : array, shape (thinned draws,)
        Highest robust pass rate anywhere, for every so many-th draw.
    judge : callable
        From `judge_for`.
    """

    study: Study
    rates: FloatArray
    best: FloatArray
    judge: Judge

    @cached_property
    def rows(self) -> NDArray[np.intp]:
        """Draws that ``best`` is of."""
        return thinned_rows(len(self.rates), len(self.best))

    def as_answered(self) -> Standing:
        """The setpoint as all draws see it, each as good as the other: the numbers of the answer."""
        return self.standing(np.zeros(len(self.rates)))

    def standing(self, log_ratio: FloatArray) -> Standing:
        """The setpoint under draws weighted by density ratios, shape (draws,)."""
        return self.weighted(weigh(log_ratio))

    def weighted(self, weights: Weights) -> Standing:
        """The setpoint under given weights."""
        target, low = self.study.spec.pass_rate, 1 - self.study.spec.assurance
        part = weights.at(self.rows)
        mean, best = weights.mean(self.rates), part.mean(self.best)
        reached, reachable = weights.share(self.rates >= target), part.share(self.best >= target)

        def verdict(errors: float) -> Verdict:
            share = np.clip(low + errors * np.sqrt(low * (1 - low) / weights.effective), 0.0, 1.0)
            return self.judge(
                self._chance(
                    reached,
                    reachable + errors * np.sqrt(reachable * (1 - reachable) / part.effective),
                    best + errors * part.error(self.best),
                ),
                mean + errors * weights.error(self.rates),
                weights.quantile(self.rates, float(share)),
            )

        said, chance = verdict(0.0), self._chance(reached, reachable, best)
        return Standing(
            rate=mean,
            rate_low=weights.quantile(self.rates, low),
            p_target=chance.p_target,
            p_reachable=chance.p_reachable,
            best=best,
            verdict=said,
            firm=weights.reliable and said == verdict(-NOISE) == verdict(NOISE),
            effective=weights.effective,
            pareto_k=weights.pareto_k,
            reliable=weights.reliable,
        )

    def _chance(self, reached: float, reachable: float, best: float) -> Chance:
        """Chances from shares of draws."""
        said = partial(said_chance, self.study)
        return Chance(float(said(reached, "setpoint reaches")), float(said(reachable, "any reaches")), best)

    def pulls(self, priors: dict[str, FloatArray]) -> tuple[PriorPull, ...]:
        """What the priors do to the numbers of the verdict, see `doe.setpoint.priors.prior_pulls`."""
        spec = self.study.spec
        return prior_pulls(
            priors,
            self.rates,
            target=spec.pass_rate,
            low=1 - spec.assurance,
            best=self.best,
            rows=self.rows,
            chance=partial(said_chance, self.study),
        )

    def prior_verdicts(self, now: Standing, every: PriorPull) -> tuple[Verdict, Verdict]:
        """What would be said with every prior counted half, and counted double, on a straight line."""
        return self._pulled(now, every, -1.0), self._pulled(now, every, 1.0)

    def _pulled(self, now: Standing, pull: PriorPull, doublings: float) -> Verdict:
        moved = (
            (now.rate, pull.rate),
            (now.rate_low, pull.rate_low),
            (now.p_target, pull.p_target),
            (now.p_reachable, pull.p_reachable),
            (now.best, pull.best),
        )
        rate, low, reached, reachable, best = (min(max(value + doublings * slope, 0.0), 1.0) for value, slope in moved)
        return self.judge(Chance(reached, reachable, best), rate, low)
