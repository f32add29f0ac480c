"""What a shop does without a plan: one factor at a time, and "take the best coupon"."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from doe.domain.coding import decode, round_settings
from doe.domain.outcome import HAND_PREFIX
from doe.domain.spec import HAND_STEP
from doe.domain.study import Study
from doe.practice.drill_line import centre
from doe.practice.lines import SimulatedLine

Setpoint = Mapping[str, float | str]


@dataclass(frozen=True)
class Trial:
    """Settings that a way of working ended with, and the coupons it made."""

    setpoint: Setpoint
    results: pd.DataFrame


def best_coupon(study: Study, results: pd.DataFrame) -> Setpoint:
    """Settings of the passed coupon with the best mean hand-feel; the first made among equals.

    When no coupon passed, the middle of the ranges: nothing better is known.
    """
    passed = results[results["passed"].eq(True)]
    if passed.empty:
        return centre(study)
    row = passed.iloc[int(_mean_hand(passed).to_numpy().argmax())]
    return {f.name: row[f.name] if f.is_categorical else float(row[f.name]) for f in study.factors}


def _mean_hand(coupons: pd.DataFrame) -> pd.Series[float]:
    columns = [c for c in coupons.columns if str(c).startswith(HAND_PREFIX)]
    return coupons[columns].mean(axis=1).fillna(0.0)


def _middle_of_best(sweep: pd.DataFrame) -> pd.Series[Any]:
    """Of the passed coupons with about the best hand-feel, the middle one in the order of the sweep."""
    passed = sweep[sweep["passed"].eq(True)]
    hand = _mean_hand(passed)
    equals = passed[hand >= hand.max() - HAND_STEP / 2]
    return equals.iloc[(len(equals) - 1) // 2]


def one_factor_at_a_time(line: SimulatedLine, coupons: int, seed: int) -> Trial:
    """Tune one factor after the other from the middle of the ranges, keeping the best coupon each time.

    The coupons are shared evenly over the factors and spread evenly over each range (a categorical factor gets its
    levels); every sweep is a round with its own batches. In each sweep the passed coupon with the best hand-feel
    fixes that factor (hands within half a step count as equal, and the middle one of equals is taken); when none
    passes, the factor stays where it was.

    Parameters
    ----------
    line : SimulatedLine
    coupons : int
        Exactly this many are made, at least two a factor.
    seed : int
        Luck of the coupons.
    """
    study = line.study
    now = dict(centre(study))
    made: list[pd.DataFrame] = []
    shares = np.full(len(study.factors), coupons // len(study.factors))
    shares[: coupons % len(study.factors)] += 1
    for number, (f, share) in enumerate(zip(study.factors, shares, strict=True), start=1):
        values: list[float | str]
        if f.is_categorical:
            values = [f.levels[i % len(f.levels)] for i in range(share)]
        else:
            values = [float(v) for v in round_settings(f, decode(f, np.linspace(-1, 1, share)))]
        sweep = pd.DataFrame([{**now, f.name: v} for v in values])
        sweep.insert(0, "coupon", [f"S{number}-{i + 1:02d}" for i in range(share)])
        sweep["round"] = number
        for machine in ("cure", "press"):
            # a new setting of a hard-to-change factor is a new batch; otherwise the sweep is one batch
            apart = f.hard_to_change and f.stage == machine
            sweep[f"{machine}_batch"] = range(1, share + 1) if apart else 1
        sweep["garment"] = 1 + np.arange(share) // 4
        results = line.run(sweep, seed)
        made.append(results)
        if results["passed"].eq(True).any():
            now[f.name] = _middle_of_best(results)[f.name]
    return Trial(now, pd.concat(made, ignore_index=True))
