"""What the coupons of an earlier study do to an answer: the same question with and without them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.domain.study import Study
from doe.setpoint.answer import Answer
from doe.setpoint.recommendation import recommend
from doe.setpoint.robust import RobustRate
from doe.surfaces.earlier import Earlier
from doe.surfaces.fitted import Surfaces, fit


@dataclass(frozen=True)
class EarlierEffect:
    """An answer with the earlier coupons and the one without them.

    Attributes
    ----------
    earlier_coupons : int
    discount : float
        What each of them counts for.
    together, alone : Answer
        With the earlier coupons, and from this study's coupons only.
    together_surfaces, alone_surfaces : Surfaces
        The fits behind them.
    judged_alone, judged_alone_low : float
        Expected robust pass rate and lower bound of the setpoint of `together`, as this study's coupons alone see it:
        far below ``together.pass_rate``, the earlier coupons carry the answer.
    moved : mapping of str to float
        How far each numeric setting of the setpoint moved through the earlier coupons, in setting errors (in tenths of
        the range where none was stated).
    """

    earlier_coupons: int
    discount: float
    together: Answer
    alone: Answer
    together_surfaces: Surfaces
    alone_surfaces: Surfaces
    judged_alone: float
    judged_alone_low: float
    moved: dict[str, float]


def with_and_without(
    study: Study,
    results: pd.DataFrame,
    earlier: Earlier,
    *,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> EarlierEffect:
    """Answer a study with the coupons of an earlier one and without them.

    Parameters
    ----------
    study : Study
    results : DataFrame
        This study's coupons, as `doe.fit` takes them.
    earlier : Earlier
    seed : int
    progress : callable, optional
        Called with the share done, 0 to 1.

    Raises
    ------
    InputError
        As `doe.fit` and `doe.recommend` do.
    """
    tell = progress or (lambda share: None)
    both = fit(study, results, seed=seed, earlier=earlier, progress=lambda share: tell(0.35 * share))
    own = fit(study, results, seed=seed, progress=lambda share: tell(0.35 + 0.35 * share))
    together = recommend(study, both, seed=seed, progress=lambda share: tell(0.7 + 0.15 * share))
    alone = recommend(study, own, seed=seed, progress=lambda share: tell(0.85 + 0.15 * share))
    rates = RobustRate(study, own).draws(pd.DataFrame([dict(together.setpoint)]), nodes=64)[:, 0]
    assert both.earlier is not None
    return EarlierEffect(
        earlier_coupons=both.earlier.coupons,
        discount=both.earlier.discount,
        together=together,
        alone=alone,
        together_surfaces=both,
        alone_surfaces=own,
        judged_alone=float(rates.mean()),
        judged_alone_low=float(np.quantile(rates, 1 - study.spec.assurance)),
        moved={
            f.name: (float(together.setpoint[f.name]) - float(alone.setpoint[f.name]))
            / (f.setting_sd or (f.high - f.low) / 10)
            for f in study.numeric
        },
    )
