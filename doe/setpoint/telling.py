"""What a coupon not yet made would tell: what each of its outcomes would do to the decision to be taken.

A coupon passes, perhaps with a hand-feel score, or fails by too little or by too much, with a probability that the
draws know. Each outcome weights the draws anew, and with the weights every decision is worth something else: this
setting becomes the setpoint (right in the draws whose robust rate there reaches the wanted one), or the target is
called not reachable. The expected worth of the then best decision is what makes a coupon worth making (knowledge
gradient, Frazier, Powell and Dayanik 2009, INFORMS J. Comput. 21, 599-613, for decisions instead of a mean).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.setpoint.chances import share_of_draws
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import Found
from doe.setpoint.verdict import STEP_OUT_OF_REACH, reach_threshold
from doe.surfaces.contract import SurfaceDraws
from doe.surfaces.outcomes import FloatArray, expit
from doe.surfaces.window_model import t_below

DRAWS, GOALS, NODES = 600, 32, 16
"""Draws weighted at most; settings that may become the setpoint; points that stand for the setting error."""

TERCILE = 0.43
"""Standard deviations from the middle, between which a third of the scores falls."""


@dataclass(frozen=True)
class DecisionWorth:
    """What the decisions are worth.

    Attributes
    ----------
    draws : SurfaceDraws
        The draws that are weighted.
    gain : array, shape (draws, decisions)
        Worth of each decision in each draw.
    """

    draws: SurfaceDraws
    gain: FloatArray

    @classmethod
    def of(cls, rate: RobustRate, found: Found, later: int) -> DecisionWorth:
        """Decisions after ``later`` more coupons: the most promising settings, and that none reaches the target.

        A setting is right (1) where it reaches the target. To call it not reachable is right where no setting does,
        and costs so much where one does that the chance has to fall below the threshold of the verdict.
        """
        draws, target = rate.surfaces.draws.thin(DRAWS), rate.study.spec.pass_rate
        places = pd.concat([found.setpoint, found.best_at]).drop_duplicates(ignore_index=True)
        rates = rate.draws(places, nodes=NODES, draws=draws)
        goals = np.argsort(-(rates.mean(axis=0) - 0.5 * rates.std(axis=0)), kind="stable")[:GOALS]
        reached = rates >= target
        said = max(reach_threshold(rate.study, rate.surfaces.results.coupons + later), STEP_OUT_OF_REACH)
        limit = share_of_draws(rate.study, said, "any reaches")
        none = np.where(reached.any(axis=1), 1 - 1 / limit, 1.0)
        return cls(draws, np.column_stack([reached[:, goals], none]))


def outcome_chances(rate: RobustRate, frame: pd.DataFrame, draws: SurfaceDraws) -> FloatArray:
    """Chance of each outcome of a coupon at each setting, shape (outcomes, draws, rows); they add up to one.

    Outcomes are failures called too little and too much, and a pass; where the spec asks for a hand-feel that was
    scored, a pass with a low, a middling and a high score. The machines' error at the coupon is averaged over.
    """
    passes = np.clip(rate.draws(frame, nodes=NODES, draws=draws, hand=False, as_made=True), 1e-9, 1 - 1e-9)
    scaling = rate.surfaces.scaling
    z, combination = scaling.z(frame), scaling.combination(frame)
    over, hand = np.empty_like(passes), np.empty_like(passes)
    for c in np.unique(combination):
        at = combination == c
        over[:, at] = expit(draws.over_logit(z[at], int(c)))
        hand[:, at] = draws.mean_hand(z[at], int(c))
    wrong = draws.wrong_side[:, None]
    over = over * (1 - wrong) + (1 - over) * wrong
    fails = [(1 - passes) * (1 - over), (1 - passes) * over]
    if not rate.uses_hand:
        return np.stack([*fails, passes])
    low, high = _thirds(hand, draws.hand_sd[:, None] * np.sqrt(0.5 + 0.5 / _people(rate)), passes)
    return np.stack([*fails, passes * low, passes * (1 - low - high), passes * high])


def _people(rate: RobustRate) -> int:
    """How many people usually score a coupon of this study."""
    scores = np.isfinite(rate.surfaces.results.hand).sum(axis=1)
    return max(1, int(np.median(scores[scores > 0]))) if scores.any() else 1


def _thirds(hand: FloatArray, sd: FloatArray, passes: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Chance that a passing coupon scores in the lowest and in the highest third of what is expected of it.

    Mean hand-feel and ``passes`` have shape (draws, rows), ``sd`` (draws, 1); scores are Student-t with 4 degrees of
    freedom.
    """
    weight = passes / passes.sum(axis=0)
    middle = (weight * hand).sum(axis=0)
    # twice the square of its scale is the variance of that t; its middle is narrower than a normal's
    width = TERCILE * np.sqrt((weight * ((hand - middle) ** 2 + 1.4 * sd**2)).sum(axis=0))
    return t_below((middle - width - hand) / sd), t_below((hand - middle - width) / sd)


def expected_worth(ways: FloatArray, chance: FloatArray, gain: FloatArray) -> FloatArray:
    """Worth of the then best decision, on average over ways and outcomes, shape (candidates,).

    Shapes: ``ways`` (ways, draws), weights of the draws; ``chance`` (outcomes, draws, candidates); ``gain`` (draws,
    decisions). The chance of an outcome times the worth after it needs no division by the first.
    """
    draws, decisions = gain.shape
    each = (ways.T[:, :, None] * gain[:, None, :]).reshape(draws, -1)
    worth = np.zeros(chance.shape[2])
    for outcome in chance:
        worth += (outcome.T @ each).reshape(len(worth), len(ways), decisions).max(axis=2).sum(axis=1)
    return worth / len(ways)


def follow(ways: FloatArray, chance: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Each way goes on with one outcome of a coupon, drawn by its chance; ``chance`` is (outcomes, draws)."""
    cumulative = np.cumsum(ways @ chance.T, axis=1)
    points = (rng.permutation(len(ways)) + rng.random(len(ways))) / len(ways)
    outcome = np.minimum((points[:, None] > cumulative).sum(axis=1), len(chance) - 1)
    weights = ways * chance[outcome]
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))
