"""The next coupons that are expected to help most: what every outcome would do to the chance of meeting the target.

A coupon not yet made passes, or fails by too little or by too much, with a probability that the draws know. Each
outcome weights the draws anew, and with the weights the probability that the then best setting reaches the wanted rate.
Coupons are added one by one, each the one that raises this probability most on average over the ways in which the
earlier ones of the round may end (knowledge gradient, Frazier, Powell and Dayanik 2009, INFORMS J. Comput. 21, 599-613,
for the chance to reach a target instead of a mean). A setting may be asked for more than once: a repeat can tell most.
A round stays runnable in an afternoon: few settings of each factor that is slow to change.

Not used: measured by `second_rounds.py` it was no better than Thompson draws, which the tool makes; DEVELOPERS.md has
the figures.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.coding import round_settings
from doe.domain.study import Study
from doe.setpoint.next_coupons import BATCH_LEVELS, choose_next
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import Found, allowed
from doe.surfaces.window_model import WindowDraws, expit

FloatArray = NDArray[np.float64]

DRAWS, WAYS, GOALS, CANDIDATES = 400, 16, 24, 192
"""Draws used; ways the round may end that are followed; settings that may become the setpoint; coupons considered."""

HARD_GRID = 7
"""Settings of a hard-to-change factor that are considered, spread evenly over its range."""

NO_GAIN = 1e-6
"""Rise of the chance below which no coupon is better than another, as where the target is out of reach."""


def choose_telling(rate: RobustRate, found: Found, coupons: int, *, rng: np.random.Generator) -> pd.DataFrame:
    """Settings of the next coupons by what they are expected to do to the chance of meeting the target.

    Parameters
    ----------
    rate : RobustRate
    found : Found
        What `find_setpoint` returned.
    coupons : int
    rng : Generator

    Returns
    -------
    DataFrame
        One row a coupon, one column a factor; permitted machine settings. Where no coupon would change the chance, they
        are those of `choose_next`.
    """
    study, draws = rate.study, rate.surfaces.window.thin(DRAWS)
    pool = _candidates(study, found, rng)
    chance = _outcomes(rate, pool, draws)
    reached = (rate.draws(_goals(rate, found, draws), nodes=16, draws=draws) >= study.spec.pass_rate).astype(float)
    hard = [f.name for f in study.numeric if f.hard_to_change]
    slow = pool[hard].to_numpy(dtype=float)
    ways = np.full((WAYS, draws.count), 1.0 / draws.count)
    picked: list[int] = []
    while len(picked) < coupons:
        rows = np.flatnonzero(_runnable(slow, picked))
        value = _expected(ways, chance[:, :, rows], reached)
        if value.max() - float((ways @ reached).max(axis=1).mean()) < NO_GAIN:
            break
        picked.append(int(rows[value.argmax()]))
        ways = _follow(ways, chance[:, :, picked[-1]], rng)
    chosen = pool.iloc[picked]
    if len(chosen) < coupons:
        chosen = pd.concat([chosen, choose_next(study, found.best_at, coupons - len(chosen), rng=rng)])
    return chosen.sort_values(hard or list(study.factor_names), ignore_index=True)


def _expected(ways: FloatArray, chance: FloatArray, reached: FloatArray) -> FloatArray:
    """Chance that the then best goal meets the target, on average over ways and outcomes, shape (candidates,).

    Shapes: ``ways`` (ways, draws), weights of the draws; ``chance`` (outcomes, draws, candidates); ``reached`` (draws,
    goals). The chance of an outcome times the chance after it needs no division by the first.
    """
    value = np.zeros(chance.shape[2])
    for weights in ways:
        for outcome in chance:
            value += ((outcome * weights[:, None]).T @ reached).max(axis=1)
    return value / len(ways)


def _follow(ways: FloatArray, chance: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Each way goes on with one outcome of a coupon, drawn by its chance; ``chance`` is (outcomes, draws)."""
    cumulative = np.cumsum(ways @ chance.T, axis=1)
    points = (rng.permutation(len(ways)) + rng.random(len(ways))) / len(ways)
    outcome = np.minimum((points[:, None] > cumulative).sum(axis=1), len(chance) - 1)
    weights = ways * chance[outcome]
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def _runnable(slow: FloatArray, picked: list[int]) -> NDArray[np.bool_]:
    """Candidates that keep each hard-to-change factor, a column of ``slow``, at few settings."""
    fits = np.ones(len(slow), dtype=bool)
    for column in slow.T:
        levels = np.unique(column[picked])
        if len(levels) >= BATCH_LEVELS:
            fits &= np.isin(column, levels)
    return fits


def _outcomes(rate: RobustRate, pool: pd.DataFrame, draws: WindowDraws) -> FloatArray:
    """Chance of a pass, a failure called too little and one called too much, shape (3, draws, candidates)."""
    passes = np.clip(rate.draws(pool, nodes=16, draws=draws, hand=False), 1e-9, 1 - 1e-9)
    scaling = rate.surfaces.scaling
    z, combination = scaling.z(pool), scaling.combination(pool)
    over = np.empty_like(passes)
    for c in np.unique(combination):
        at = combination == c
        over[:, at] = expit(draws.over_logit(z[at], int(c)))
    wrong = draws.wrong_side[:, None]
    over = over * (1 - wrong) + (1 - over) * wrong
    return np.stack([passes, (1 - passes) * (1 - over), (1 - passes) * over])


def _candidates(study: Study, found: Found, rng: np.random.Generator) -> pd.DataFrame:
    """Settings a next coupon may have: where draws have their best, around the setpoint, and spread out."""
    best = found.best_at.drop_duplicates()
    best = best.iloc[rng.permutation(len(best))[: CANDIDATES // 2]]
    count = CANDIDATES // 3
    near, spread = pd.concat([found.setpoint] * count, ignore_index=True), pd.DataFrame(index=range(count))
    for f in study.numeric:
        reach = 1.5 * (f.setting_sd or (f.high - f.low) / 10)
        near[f.name] = round_settings(f, near[f.name].to_numpy(dtype=float) + reach * rng.standard_normal(count))
        spread[f.name] = round_settings(f, rng.uniform(f.low, f.high, count))
    for f in study.categorical:
        spread[f.name] = rng.choice(np.array(f.levels), count)
    names = list(study.factor_names)
    frame = pd.concat([part[names] for part in (found.setpoint, best, near, spread)], ignore_index=True)
    for f in study.numeric:
        if f.hard_to_change:
            ticks = round_settings(f, np.linspace(f.low, f.high, HARD_GRID))
            frame[f.name] = ticks[np.abs(frame[f.name].to_numpy(dtype=float)[:, None] - ticks).argmin(axis=1)]
    frame = frame.drop_duplicates()
    good = frame[allowed(study, frame)]
    # gathering to few settings may leave nothing that is permitted: the setpoint itself always is
    return (good if len(good) else found.setpoint[names]).head(CANDIDATES).reset_index(drop=True)


def _goals(rate: RobustRate, found: Found, draws: WindowDraws) -> pd.DataFrame:
    """Settings that may become the setpoint: the present one and the most promising bests of single draws."""
    pool = pd.concat([found.setpoint, found.best_at]).drop_duplicates(ignore_index=True)
    rates = rate.draws(pool, nodes=16, draws=draws.thin(200))
    return pool.iloc[np.argsort(-(rates.mean(axis=0) - 0.5 * rates.std(axis=0)))[:GOALS]]
