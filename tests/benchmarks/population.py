"""Questions drawn from the population: the usual factors, over ranges of its widths."""

from __future__ import annotations

import numpy as np

from doe.domain.factors import Factor
from doe.domain.spec import Spec
from doe.domain.study import Study
from doe.practice.population.draw import WORLD, Population, log_uniform

_MIDDLES = {"cure_temp": 125.0, "cure_time": 140.0, "press_temp": 155.0, "dwell": 13.0}
_ERRORS = {"cure_temp": 4.0, "press_temp": 5.0}
_PRESSURE, _PRESSURE_ERROR = 3.5, 0.2
_MACHINES = (("cure_temp", "cure_time"), ("press_temp", "dwell"))


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


def draw_other_study(seed: int, settings: int, named: int = 0, *, world: Population = WORLD) -> Study:
    """A question over fewer or more factors than the usual four, with the ranges that `draw_study` gives those four.

    Two are those of one machine, three leave one of the four out, five have the pressure too: which, the seed decides.

    Parameters
    ----------
    seed : int
    settings : int
        Factors with a range, 2 to 5.
    named : int
        Factors of two levels beside them, 0 or 1.
    world : Population
    """
    study, rng = draw_study(seed, world=world), np.random.default_rng([seed, 63])
    kept = set(_MIDDLES)
    if settings == 2:
        kept = set(_MACHINES[rng.integers(2)])
    elif settings == 3:
        kept -= {list(_MIDDLES)[rng.integers(4)]}
    factors = [f for f in study.factors if f.name in kept]
    if settings == 5:
        half = _PRESSURE_ERROR * rng.uniform(*world.width) / 2
        low, high = round(_PRESSURE - half, 1), round(_PRESSURE + half, 1)
        factors.append(Factor("pressure", "bar", low=low, high=high, setting_sd=_PRESSURE_ERROR))
    if named:
        factors.append(Factor("fabric", levels=("smooth", "rough")))
    return Study(name=study.name, factors=tuple(factors), spec=study.spec)
