"""How long a round takes at the machines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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
    return minutes + others


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
    batch = queue[f"{stage}_batch"].to_numpy()
    distinct, place = distinct_settings(queue, hard)
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
    distinct, place = distinct_settings(frame.sort_values(f"{stage}_order"), hard)
    cost = settle_matrix(machine, hard, distinct)[np.ix_(place, place)]
    differ = np.not_equal.outer(place, place).astype(float)
    return Settling(_mean_route(differ, ends), _mean_route(cost, ends))


def _mean_route(cost: np.ndarray, ends: bool) -> float:
    """Average length of a random route: every ordered pair of neighbours is equally likely."""
    n = len(cost)
    if not ends or n <= 3:
        return float(cost.sum() / max(n, 1))  # n - 1 steps, each the mean of n (n - 1) pairs
    inner = cost[1:-1, 1:-1]
    m = n - 2
    steps = inner.sum() / m
    return float(cost[0, 1:-1].mean() + steps + cost[1:-1, -1].mean())


CURE_HANDLING_MIN, PRESS_HANDLING_MIN = 1.5, 2.0
"""Hands-on minutes a coupon at each machine: powder, shake off, load and unload; lay, pre-press, peel, second press
and label (common practice, no source: 2 to 4 minutes of labour a coupon)."""

USUAL_SECONDS = {"cure_time": 150.0, "dwell": 15.0, "peel_wait": 10.0, "second_press_time": 7.0}
"""Times taken where a study neither varies nor holds them (common practice, no source)."""


@dataclass(frozen=True)
class Hours:
    """Minutes at the machines for a whole plan, one person working, one film or stroke at a time.

    ``random_settle_*`` is what a fully random order of the same coupons would need to settle.
    """

    settle_oven: float
    settle_press: float
    cure: float
    press: float
    handling: float
    random_settle_oven: float
    random_settle_press: float
    oven_changes: float
    press_changes: float

    @property
    def minutes(self) -> float:
        """All of it, in minutes."""
        return self.settle_oven + self.settle_press + self.cure + self.press + self.handling

    @property
    def random_minutes(self) -> float:
        """The same with the settling of a fully random order."""
        rest = self.cure + self.press + self.handling
        return rest + self.random_settle_oven + self.random_settle_press


def hours_at_machines(study: Study, coupons: pd.DataFrame, line: Line) -> Hours:
    """Minutes at the machines for all rounds of `Plan.coupons`; washing and scoring are not in it."""
    rounds = [frame for _, frame in coupons.groupby("round")]
    oven = [queue_minutes(study, frame, line, "cure") for frame in rounds]
    press = [queue_minutes(study, frame, line, "press") for frame in rounds]
    strokes = coupons.drop_duplicates("stroke")
    pressing = sum(_seconds(study, strokes, name).sum() for name in ("dwell", "peel_wait", "second_press_time"))
    return Hours(
        settle_oven=sum(s.minutes for s in oven),
        settle_press=sum(s.minutes for s in press),
        cure=float(_seconds(study, coupons, "cure_time").sum()) / 60,
        press=float(pressing) / 60,
        handling=len(coupons) * (CURE_HANDLING_MIN + PRESS_HANDLING_MIN),
        random_settle_oven=sum(random_settling(study, frame, line, "cure").minutes for frame in rounds),
        random_settle_press=sum(random_settling(study, frame, line, "press").minutes for frame in rounds),
        oven_changes=sum(s.changes for s in oven),
        press_changes=sum(s.changes for s in press),
    )


def cure_loads(coupons: pd.DataFrame, line: Line) -> pd.DataFrame:
    """The first coupon of each load of the oven: whole pairs together, as many as a film sheet has room for.

    Parameters
    ----------
    coupons : DataFrame
        One round of pairs in the order of ``cure_order``, both coupons of a pair next to each other.
    line : Line
    """
    size = 2 * max(line.coupons_per_sheet // 2, 1)
    first: pd.DataFrame = coupons.sort_values("cure_order").iloc[:: size if line.coupons_per_sheet > 1 else 1]
    return first


def minutes_of_loads(study: Study, coupons: pd.DataFrame, line: Line) -> float:
    """Minutes of one round of pairs with both machines at their settings, load after load and stroke after stroke.

    Handling counts coupon by coupon, since each is powdered by itself; warming up, washes and looks are not in it.
    """
    loads, strokes = cure_loads(coupons, line), coupons.drop_duplicates("stroke")
    pressing = sum(_seconds(study, strokes, name).sum() for name in ("dwell", "peel_wait", "second_press_time"))
    seconds = float(_seconds(study, loads, "cure_time").sum() + pressing)
    return seconds / 60 + len(coupons) * (CURE_HANDLING_MIN + PRESS_HANDLING_MIN)


def minutes_at_machine(study: Study, coupons: pd.DataFrame, line: Line, stage: Stage) -> float:
    """Minutes that these coupons take at one machine in their order, settling and handling with them.

    ``coupons`` are rows of `Plan.coupons`, such as those that still wait; warming up from cold is not counted.
    """
    if coupons.empty:
        return 0.0
    settle = sum(queue_minutes(study, frame, line, stage).minutes for _, frame in coupons.groupby("round"))
    if stage == "cure":
        seconds, handling = _seconds(study, coupons, "cure_time").sum(), CURE_HANDLING_MIN
    else:
        strokes = coupons.drop_duplicates("stroke") if "stroke" in coupons else coupons
        times = ("dwell", "peel_wait", "second_press_time")
        seconds, handling = sum(_seconds(study, strokes, name).sum() for name in times), PRESS_HANDLING_MIN
    return float(settle) + float(seconds) / 60 + len(coupons) * handling


def _seconds(study: Study, coupons: pd.DataFrame, name: str) -> np.ndarray:
    belt = next((f for f in study.numeric if f.heated_mm is not None), None)
    if name == "cure_time" and belt is not None:
        return np.array([belt.seconds(float(speed)) for speed in coupons[belt.name]], dtype=float)
    if name in study.factor_names and not study.factor(name).is_categorical:
        return coupons[name].to_numpy(dtype=float)
    held = study.held.get(name)
    value = float(held) if isinstance(held, (int, float)) else USUAL_SECONDS[name]
    return np.full(len(coupons), value)
