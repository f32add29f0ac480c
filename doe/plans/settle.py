"""Minutes a machine needs to settle after a change of setting."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from doe.domain.factors import Factor, Stage
from doe.domain.stack import Line, Machine
from doe.domain.study import Study
from doe.plans.points import FloatArray, IntArray

OTHER_CHANGE_MIN = 2.0
"""Minutes for a change of a hard-to-change factor that is no temperature (common practice, no source)."""

SET_AGAIN_DELTA_DEGC = 10.0
"""To set a machine again at the same setting, it is turned away by this much and brought back."""


def hard_factors(study: Study, stage: Stage) -> tuple[Factor, ...]:
    """Hard-to-change factors of one machine, in the order of the study."""
    return tuple(f for f in study.factors if f.stage == stage and f.hard_to_change)


def machine_of(line: Line, stage: Stage) -> Machine:
    """The machine at which a stage is run."""
    return line.oven if stage == "cure" else line.press


def set_again_min(machine: Machine) -> float:
    """Minutes to turn the machine away from its setting and back, so that a batch is a true repeat."""
    return (machine.heat_min_per_10 + machine.cool_min_per_10) * SET_AGAIN_DELTA_DEGC / 10


def distinct_settings(frame: pd.DataFrame, factors: Sequence[Factor]) -> tuple[list[tuple[object, ...]], IntArray]:
    """Different settings of these factors in the order they appear, and which of them each row has, shape (rows,)."""
    keys = list(zip(*(frame[f.name] for f in factors), strict=True)) or [()] * len(frame)
    distinct = list(dict.fromkeys(keys))
    return distinct, np.array([distinct.index(key) for key in keys], dtype=int)


def settle_matrix(machine: Machine, factors: Sequence[Factor], settings: Sequence[tuple[object, ...]]) -> FloatArray:
    """Minutes from each setting (row) to each other (column); the diagonal is zero.

    Heating and cooling take different times, so the matrix is not symmetric. Where several temperatures change, the
    slowest counts; every other hard-to-change factor adds `OTHER_CHANGE_MIN`.

    Parameters
    ----------
    machine : Machine
    factors : sequence of Factor
        Hard-to-change factors of this machine.
    settings : sequence of tuple
        Their values, one tuple a setting.
    """
    n = len(settings)
    minutes, others = np.zeros((n, n)), np.zeros((n, n))
    for j, f in enumerate(factors):
        column = [s[j] for s in settings]
        if f.is_temperature:
            degc = np.array(column, dtype=float)
            step = degc[None, :] - degc[:, None]
            rate = np.where(step > 0, machine.heat_min_per_10, machine.cool_min_per_10)
            minutes = np.maximum(minutes, np.abs(step) / 10 * rate)
        else:
            values = np.array(column, dtype=object)
            others += OTHER_CHANGE_MIN * (values[None, :] != values[:, None])
    return np.asarray(minutes + others)
