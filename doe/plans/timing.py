"""How long a round takes at the machines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.domain.factors import Stage
from doe.domain.stack import Line
from doe.domain.study import Study
from doe.plans.settle import hard_factors, machine_of, set_again_min, settle_matrix


@dataclass(frozen=True)
class Settling:
    """Changes of a machine's setting and the minutes to settle after them."""

    changes: float
    minutes: float


def queue_minutes(study: Study, frame: pd.DataFrame, line: Line, stage: Stage) -> Settling:
    """Settling at one machine for one round in its order; warming up from cold is not counted.

    Parameters
    ----------
    study : Study
    frame : DataFrame
        One round of `Plan.coupons`.
    line : Line
    stage : {"cure", "press"}
    """
    machine, hard = machine_of(line, stage), hard_factors(study, stage)
    queue = frame.sort_values(f"{stage}_order")
    keys = list(queue[[f.name for f in hard]].itertuples(index=False, name=None))
    batch = queue[f"{stage}_batch"].to_numpy()
    distinct = list(dict.fromkeys(keys))
    place = np.array([distinct.index(key) for key in keys])
    minutes = settle_matrix(machine, hard, distinct)[place[:-1], place[1:]]
    changed = place[1:] != place[:-1]
    # a new batch at the same setting is set anew all the same, or it would be the same batch
    again = (batch[1:] != batch[:-1]) & ~changed
    return Settling(int(changed.sum() + again.sum()), float(minutes.sum() + again.sum() * set_again_min(machine)))


def random_settling(study: Study, frame: pd.DataFrame, line: Line, stage: Stage, *, ends: bool = True) -> Settling:
    """Settling to be expected of a fully random order of these coupons: exact average over all orders.

    Parameters
    ----------
    ends : bool
        Whether the first and last coupon of the queue keep their places.
    """
    machine, hard = machine_of(line, stage), hard_factors(study, stage)
    queue = frame.sort_values(f"{stage}_order")
    keys = list(queue[[f.name for f in hard]].itertuples(index=False, name=None))
    distinct = list(dict.fromkeys(keys))
    place = np.array([distinct.index(key) for key in keys])
    cost = settle_matrix(machine, hard, distinct)[np.ix_(place, place)]
    differ = np.not_equal.outer(place, place).astype(float)
    return Settling(_mean_route(differ, ends), _mean_route(cost, ends))


def random_minutes(study: Study, frame: pd.DataFrame, line: Line, stage: Stage) -> float:
    """Expected settle minutes of a fully random order with the same first and last coupon."""
    return random_settling(study, frame, line, stage).minutes


def _mean_route(cost: np.ndarray, ends: bool) -> float:
    """Average length of a random route: every ordered pair of neighbours is equally likely."""
    n = len(cost)
    if not ends or n <= 3:
        return float(cost.sum() / max(n, 1))  # n - 1 steps, each the mean of n (n - 1) pairs
    inner = cost[1:-1, 1:-1]
    m = n - 2
    steps = inner.sum() / m
    return float(cost[0, 1:-1].mean() + steps + cost[1:-1, -1].mean())
