"""What the answer would state if dose mechanisms were averaged in, by how well each model predicts left-out coupons."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.domain.study import Study
from doe.setpoint.answer import Answer
from doe.setpoint.reweigh import Weights
from doe.setpoint.robust import RobustRate
from doe.surfaces.averaging import left_out, stacking_weight
from doe.surfaces.fitted import Surfaces
from doe.surfaces.mechanism_model import MechanismModel, speaks_of
from doe.surfaces.window_gradient import ClosingWindow


@dataclass(frozen=True)
class Averaged:
    """The setpoint as another kind of surface sees it, and as the average of the two does.

    Attributes
    ----------
    weight : float
        Of the mechanisms in the average, 0 to 1.
    rate, rate_low : float
        Expected robust rate and its lower bound by the average.
    other_rate, other_low : float
        The same by the mechanisms alone.
    """

    weight: float
    rate: float
    rate_low: float
    other_rate: float
    other_low: float


def average_with_mechanisms(study: Study, surfaces: Surfaces, answer: Answer) -> Averaged | None:
    """Fit dose mechanisms to the same coupons, as many draws, and average them with the closing window.

    None where the mechanisms do not know all that the study varies (`speaks_of`), or another model than the closing
    window was fitted. Takes about as long as the fit itself.
    """
    window = surfaces.model
    if not isinstance(window, ClosingWindow) or not speaks_of(window):
        return None
    model = MechanismModel(window)
    cloud = surfaces.sampling(model, [surfaces.seed, 1], surfaces.draws.count)
    weight = stacking_weight(left_out(surfaces.coupon_fit), left_out(model.coupon_log_likelihood(cloud.draws)))
    rate, point = RobustRate(study, surfaces), pd.DataFrame([dict(answer.setpoint)])
    walls = model.unpack(cloud.draws)
    mine, theirs = (rate.draws(point, nodes=64, draws=d)[:, 0] for d in (surfaces.draws, walls))
    every = np.concatenate([mine, theirs])
    share = np.concatenate([np.full(len(mine), (1 - weight) / len(mine)), np.full(len(theirs), weight / len(theirs))])
    both, low = Weights(share, 0.0), 1 - study.spec.assurance
    return Averaged(
        weight=weight,
        rate=both.mean(every),
        rate_low=both.quantile(every, low),
        other_rate=float(theirs.mean()),
        other_low=float(np.quantile(theirs, low)),
    )
