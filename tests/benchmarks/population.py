"""Questions drawn from the population: the usual four factors, over ranges of its widths."""

from __future__ import annotations

import numpy as np

from doe.domain.factors import Factor
from doe.domain.spec import Spec
from doe.domain.study import Study
from doe.practice.population.draw import WORLD, Population, log_uniform

_MIDDLES = {"cure_temp": 125.0, "cure_time": 140.0, "press_temp": 155.0, "dwell": 13.0}
_ERRORS = {"cure_temp": 4.0, "press_temp": 5.0}


def draw_study(seed: int, *, hand_min: float | None = None, world: Population = WORLD) -> Study:
    """A question over the usual four factors, its ranges of the population's widths.

    Parameters
    ----------
    seed : int
    hand_min : float, optional
        Least mean hand-feel in the spec.
    world : Population
    """
    rng = np.random.default_rng([seed, 61])
    usual = rng.uniform(*world.width)  # ranges of one question are about alike
    factors = []
    for name, middle in _MIDDLES.items():
        width = float(np.clip(usual + rng.normal(0, 1.0), *world.width))
        if name in _ERRORS:
            half = _ERRORS[name] * width / 2
            at = middle + rng.uniform(-8, 8)
            low, high = float(round(at - half)), float(round(min(at + half, 195.0)))
            factors.append(Factor(name, "degC", low=low, high=high, setting_sd=_ERRORS[name], hard_to_change=True))
        else:
            half = np.sqrt(log_uniform(rng, world.ratio))
            low, high = float(round(middle / half)), float(round(middle * half))
            sd = max(round((high - low) / width, 1), 0.3)
            factors.append(Factor(name, "s", low=low, high=high, setting_sd=sd, scale="log"))
    return Study(name=f"population {seed}", factors=tuple(factors), spec=Spec(pass_rate=0.95, hand_min=hand_min))
