"""Which coupons to make next: what is expected to help the decision most, in batches a person can run."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.coding import FloatArray, round_settings
from doe.domain.factors import Factor
from doe.domain.study import Study
from doe.setpoint.robust import RobustRate, in_turn
from doe.setpoint.search import Found, allowed
from doe.setpoint.telling import DecisionWorth, expected_worth, follow, outcome_chances
from doe.setpoint.verdict import contradicted

BATCH_LEVELS = 3
"""Settings at most of each hard-to-change factor in a second round, so that it fits an afternoon."""

OFFERED_LEVELS = 5
"""Settings of each hard-to-change factor from which those of a round are taken."""

WAYS, CANDIDATES = 24, 256
"""Ways the round may end that are followed; coupons considered."""

TOLD, MOST_TOLD = 2 / 3, 8
"""Share of a round chosen by what it tells, and coupons at most: further on too few draws are left on each way."""

MOST_ALIKE = 2
"""Coupons at the same settings, centre coupons not counted."""

NO_GAIN = 1e-6
"""Gain below which no coupon is better than another, as where no outcome changes a decision."""


def choose_coupons(rate: RobustRate, found: Found, coupons: int, *, rng: np.random.Generator) -> pd.DataFrame:
    """Settings of the next coupons by what they are expected to do to the decision, few settings of each slow factor.

    Two thirds of them are chosen one after the other, each the one whose outcomes raise the expected worth of the then
    best decision most (`telling.Worth`), on average over the ways in which the earlier ones may end. The others, and
    all where no coupon would raise it, lie where single draws have their best (`choose_next`): those pass more often,
    and a setpoint that is right is seen to be. Where the results contradict the map, it does not say what tells most:
    up to half of the round is made at the settings of the coupons that agree with it least.

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
        One row a coupon, one column a factor; permitted machine settings.
    """
    study = rate.study
    chosen = _asked_again(rate).head(coupons // 2)
    if chosen.empty:
        told = min(max(1, round(TOLD * coupons)), MOST_TOLD)
        chosen = _choose_telling(rate, found, told, coupons, rng)
    if len(chosen) < coupons:
        rest = choose_next(study, found.best_at, coupons - len(chosen), rng=rng, beside=chosen)
        chosen = pd.concat([chosen, rest], ignore_index=True)
    return _in_order(study, chosen)


def _asked_again(rate: RobustRate) -> pd.DataFrame:
    """Permitted settings of the coupons where the results contradict the map, the worst first; none where it holds."""
    study, results = rate.study, rate.surfaces.results
    at = [int(np.flatnonzero(results.coupon == name)[0]) for name in contradicted(rate.surfaces)]
    again = results.settings.iloc[at][list(study.factor_names)]
    again = again.assign(**{f.name: round_settings(f, again[f.name]) for f in study.numeric})
    return again[allowed(study, again)].reset_index(drop=True)


def choose_next(
    study: Study,
    best_at: pd.DataFrame,
    coupons: int,
    *,
    rng: np.random.Generator,
    beside: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Settings of the next coupons by Thompson draws, hard-to-change factors gathered to few levels.

    Each coupon is put where one posterior draw has its best robust rate, so coupons gather where the window likely lies
    and spread as far as that is uncertain (Thompson 1933, Biometrika 25, 285-294).

    Parameters
    ----------
    study : Study
    best_at : DataFrame
        Best setting of each draw, one row a draw.
    coupons : int
    rng : Generator
    beside : DataFrame, optional
        Coupons of the same round chosen before: their settings of the slow factors are kept to, and a place of its own
        is looked for.

    Returns
    -------
    DataFrame
        One row a coupon, one column a factor; permitted machine settings.
    """
    pool = best_at = in_turn(best_at, study.endured)
    before = best_at.head(0) if beside is None else beside[list(best_at.columns)]
    for f in study.numeric:
        if f.hard_to_change:
            values = pool[f.name].to_numpy(dtype=float)
            pool[f.name] = _nearest(values, _levels(f, values, np.unique(before[f.name].to_numpy(dtype=float))))
    pool = pool[allowed(study, pool)]
    # gathering moved most draws into forbidden settings: keep them where they were (few draws are repeated below)
    if len(pool) < min(coupons, len(best_at)):
        pool = pd.concat([pool, before]) if len(before) else best_at
    shuffled = pool.iloc[rng.permutation(len(pool))]
    # the draws in random order; places apart from those taken come first, since a near repeat tells little new
    apart = _apart(study, pd.concat([before, shuffled]), coupons, len(before))
    rest = shuffled[~apart]
    picked = pd.concat([shuffled[apart], rest[~rest.duplicated()], rest[rest.duplicated()]])
    while len(picked) < coupons:
        picked = pd.concat([picked, shuffled])
    return _in_order(study, picked.head(coupons))


def _choose_telling(rate: RobustRate, found: Found, told: int, coupons: int, rng: np.random.Generator) -> pd.DataFrame:
    """Up to ``told`` coupons of a round, each expected to help most after those before; fewer where none helps."""
    study = rate.study
    pool = _candidates(study, found, rng)
    worth = DecisionWorth.of(rate, found, coupons)
    chance = outcome_chances(rate, pool, worth.draws)
    slow = pool[_hard(study)].to_numpy(dtype=float)
    ways = np.full((1, worth.draws.count), 1.0 / worth.draws.count)
    picked: list[int] = []
    while len(picked) < told:
        rows = np.flatnonzero(_runnable(slow, picked))
        if not len(rows):
            break
        value = expected_worth(ways, chance[:, :, rows], worth.gain)
        if value.max() - (ways @ worth.gain).max(axis=1).mean() < NO_GAIN:
            break
        picked.append(int(rows[value.argmax()]))
        # nothing has been made yet: all ways start alike, and part with the first coupon
        ways = follow(np.resize(ways, (WAYS, worth.draws.count)), chance[:, :, picked[-1]], rng)
    return pool.iloc[picked].reset_index(drop=True)


def _candidates(study: Study, found: Found, rng: np.random.Generator) -> pd.DataFrame:
    """Settings a next coupon may have: where draws have their best, around the setpoint, and away from both.

    The settings of slow factors are gathered to few, so that a good coupon for each choice of them is among these.
    """
    names, third = list(study.factor_names), CANDIDATES // 3
    best = found.best_at.drop_duplicates()
    best = best.iloc[rng.permutation(len(best))[: CANDIDATES // 2]]
    near = pd.concat([found.setpoint] * third, ignore_index=True)
    away = found.best_at.iloc[rng.integers(0, len(found.best_at), third)].reset_index(drop=True)
    for f in study.numeric:
        reach = 1.5 * (f.setting_sd or (f.high - f.low) / 10)
        near[f.name] = round_settings(f, near[f.name].to_numpy(dtype=float) + reach * rng.standard_normal(third))
        moved = rng.random(third) < 0.5
        anywhere = round_settings(f, rng.uniform(f.low, f.high, third))
        away[f.name] = np.where(moved, anywhere, away[f.name].to_numpy(dtype=float))
    for f in study.categorical:
        moved = rng.random(third) < 0.5
        away[f.name] = np.where(moved, rng.choice(np.array(f.levels), third), away[f.name].to_numpy(dtype=str))
    frame = pd.concat([part[names] for part in (found.setpoint, best, near, away)], ignore_index=True)
    for f in study.numeric:
        if f.hard_to_change:
            offered = round_settings(f, _gather(found.best_at[f.name].to_numpy(dtype=float), OFFERED_LEVELS))
            frame[f.name] = _nearest(frame[f.name].to_numpy(dtype=float), np.unique(offered))
    frame = in_turn(frame.drop_duplicates(), study.endured)
    good = frame[allowed(study, frame)]
    # gathering to few settings may leave nothing that is permitted: the setpoint itself always is
    return (
        (good if len(good) else in_turn(found.setpoint[names], study.endured)).head(CANDIDATES).reset_index(drop=True)
    )


def _hard(study: Study) -> list[str]:
    return [f.name for f in study.numeric if f.hard_to_change]


def _in_order(study: Study, chosen: pd.DataFrame) -> pd.DataFrame:
    return chosen.sort_values(_hard(study) or list(study.factor_names), ignore_index=True)


def _runnable(slow: FloatArray, picked: list[int]) -> NDArray[np.bool_]:
    """Candidates not taken too often that keep each slow factor, a column of ``slow``, at few settings."""
    fits = np.bincount(picked, minlength=len(slow)) < MOST_ALIKE
    for column in slow.T:
        levels = np.unique(column[picked])
        if len(levels) >= BATCH_LEVELS:
            fits &= np.isin(column, levels)
    return fits


def _apart(study: Study, pool: pd.DataFrame, coupons: int, kept: int) -> NDArray[np.bool_]:
    """Rows after the first ``kept``, taken one by one, that lie a setting error from every row kept or taken before."""
    unit = np.array([f.setting_sd or (f.high - f.low) / 10 for f in study.numeric])
    place = pool[[f.name for f in study.numeric]].to_numpy(dtype=float) / unit
    level = pool[[f.name for f in study.categorical]].to_numpy(dtype=str)
    taken = np.arange(len(pool)) < kept
    for i in range(kept, len(pool)):
        near = np.abs(place[taken] - place[i]).max(axis=1, initial=0.0) < 1
        if not (near & (level[taken] == level[i]).all(axis=1)).any():
            taken[i] = True
            if taken.sum() == kept + coupons:
                break
    return taken[kept:]


def _levels(factor: Factor, values: FloatArray, kept: FloatArray) -> FloatArray:
    """Settings of a slow factor for a round: those kept to, and as many more as still fit."""
    free = BATCH_LEVELS - len(kept)
    more = round_settings(factor, _gather(values, free)) if free > 0 else np.empty(0)
    return np.unique(np.concatenate([kept, more]))


def _nearest(values: FloatArray, levels: FloatArray) -> FloatArray:
    """Each value's nearest level."""
    return np.asarray(levels[np.abs(values[:, None] - levels).argmin(axis=1)])


def _gather(values: FloatArray, levels: int) -> FloatArray:
    """``levels`` centres of values (one-dimensional k-means from quantiles)."""
    centres = np.quantile(values, (np.arange(levels) + 0.5) / levels)
    for _ in range(25):
        nearest = np.abs(values[:, None] - centres).argmin(axis=1)
        centres = np.array([values[nearest == i].mean() if (nearest == i).any() else c for i, c in enumerate(centres)])
    return np.asarray(centres)
