"""Which coupons to make next: where the likely peaks of the posterior lie, in batches a person can run."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.coding import round_settings
from doe.domain.study import Study
from doe.setpoint.search import allowed

FloatArray = NDArray[np.float64]

BATCH_LEVELS = 3
"""Settings at most of each hard-to-change factor in a second round, so that it fits an afternoon."""


def choose_next(study: Study, best_at: pd.DataFrame, coupons: int, *, rng: np.random.Generator) -> pd.DataFrame:
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

    Returns
    -------
    DataFrame
        One row a coupon, one column a factor; permitted machine settings.
    """
    pool = best_at.copy()
    for f in study.numeric:
        if f.hard_to_change:
            pool[f.name] = _gather(pool[f.name].to_numpy(dtype=float), BATCH_LEVELS)
            pool[f.name] = round_settings(f, pool[f.name].to_numpy(dtype=float))
    pool = pool[allowed(study, pool)]
    if len(pool) < coupons:  # gathering moved most draws into forbidden settings: keep them where they were
        pool = best_at
    shuffled = pool.iloc[rng.permutation(len(pool))]
    # the draws in random order; places apart from those taken come first, since a near repeat tells little new
    apart = _apart(study, shuffled, coupons)
    rest = shuffled[~apart]
    picked = pd.concat([shuffled[apart], rest[~rest.duplicated()], rest[rest.duplicated()]])
    while len(picked) < coupons:
        picked = pd.concat([picked, shuffled])
    hard = [f.name for f in study.numeric if f.hard_to_change]
    return picked.head(coupons).sort_values(hard or list(study.factor_names), ignore_index=True)


def _apart(study: Study, pool: pd.DataFrame, coupons: int) -> NDArray[np.bool_]:
    """Rows, taken one after the other, that lie at least one setting error from every row taken before."""
    unit = np.array([f.setting_sd or (f.high - f.low) / 10 for f in study.numeric])
    place = pool[[f.name for f in study.numeric]].to_numpy(dtype=float) / unit
    level = pool[[f.name for f in study.categorical]].to_numpy(dtype=str)
    taken = np.zeros(len(pool), dtype=bool)
    for i in range(len(pool)):
        near = np.abs(place[taken] - place[i]).max(axis=1, initial=0.0) < 1
        if not (near & (level[taken] == level[i]).all(axis=1)).any():
            taken[i] = True
            if taken.sum() == coupons:
                break
    return taken


def _gather(values: FloatArray, levels: int) -> FloatArray:
    """Values moved to the nearest of ``levels`` centres (one-dimensional k-means from quantiles)."""
    centres = np.quantile(values, (np.arange(levels) + 0.5) / levels)
    nearest = np.zeros(len(values), dtype=np.intp)
    for _ in range(25):
        nearest = np.abs(values[:, None] - centres).argmin(axis=1)
        centres = np.array([values[nearest == i].mean() if (nearest == i).any() else c for i, c in enumerate(centres)])
    return np.asarray(centres[nearest])
