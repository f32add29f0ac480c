"""Other settings that might have been chosen, counted as the setpoint is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from doe.domain.coding import decode, round_settings
from doe.domain.study import Study
from doe.setpoint.answer import Answer
from doe.setpoint.robust import RobustRate
from doe.surfaces.fitted import Surfaces

Idea = Literal["setpoint", "best coupon", "middle of the ranges", "fastest in the window", "fastest that passed"]

NODES = 64
"""Points that stand for the setting error, as many as the setpoint itself was counted with."""


@dataclass(frozen=True)
class Alternative:
    """One setting with what the surfaces expect of it.

    Attributes
    ----------
    idea : str
        Why somebody would take it.
    coupon : str
        The coupon made at it, empty where it is no coupon.
    settings : mapping
        Factor to value in its stored unit, or level.
    pass_rate, pass_rate_low : float
        Robust pass rate, expected and lower bound at the assurance of the spec.
    hand : float or None
        Mean hand-feel; None where nobody scored it.
    seconds : float or None
        Sum of the times that are varied; None where none is.
    """

    idea: Idea
    coupon: str
    settings: Mapping[str, float | str]
    pass_rate: float
    pass_rate_low: float
    hand: float | None
    seconds: float | None


def other_settings(study: Study, surfaces: Surfaces, answer: Answer) -> tuple[Alternative, ...]:
    """The setpoint, and beside it what a shop would take without a model.

    The best coupon (it passed, and feels best; among equals the quickest), the middle of the tested ranges, the
    quickest setting in the window, and the quickest coupon that passed. Ideas that lead to the same settings are each
    listed; those that do not exist (no window, no time varied, nothing passed) are left out.

    Parameters
    ----------
    study : Study
    surfaces : Surfaces
    answer : Answer
        To these surfaces.
    """
    ideas: list[tuple[Idea, str, dict[str, float | str]]] = [("setpoint", "", dict(answer.setpoint))]
    times = [f.name for f in study.numeric if f.unit == "s"]
    results = surfaces.results
    settings = results.settings.reset_index(drop=True)
    passed = np.flatnonzero(results.passed)
    seconds = settings[times].sum(axis=1).to_numpy(dtype=float) if times else np.zeros(len(settings))
    if len(passed):
        scored = np.isfinite(results.hand)
        counts = scored.sum(axis=1)
        total = np.where(scored, results.hand, 0.0).sum(axis=1)
        hand = np.divide(total, counts, out=np.full(len(total), -np.inf), where=counts > 0)
        best = min(passed, key=lambda i: (-hand[i], seconds[i], i))
        ideas.append(("best coupon", str(results.coupon[best]), _row(study, settings, int(best))))
    ideas.append(("middle of the ranges", "", _middle(study, answer)))
    if times and answer.window is not None:
        low = answer.window.bounds["low"].astype(float)
        ideas.append(("fastest in the window", "", {**answer.setpoint, **{name: float(low[name]) for name in times}}))
    if times and len(passed):
        quick = min(passed, key=lambda i: (seconds[i], i))
        ideas.append(("fastest that passed", str(results.coupon[quick]), _row(study, settings, int(quick))))
    frame = pd.DataFrame([settings for _, _, settings in ideas])[list(study.factor_names)]
    rates = RobustRate(study, surfaces).draws(frame, nodes=NODES)
    low_rates = np.quantile(rates, 1 - study.spec.assurance, axis=0)
    feel = surfaces.hand_draws(frame)
    return tuple(
        Alternative(
            idea,
            coupon,
            settings,
            float(rates[:, i].mean()),
            float(low_rates[i]),
            None if feel is None else float(feel[:, i].mean()),
            float(sum(float(settings[name]) for name in times)) if times else None,
        )
        for i, (idea, coupon, settings) in enumerate(ideas)
    )


def _row(study: Study, settings: pd.DataFrame, row: int) -> dict[str, float | str]:
    values = settings.iloc[row]
    return {f.name: str(values[f.name]) if f.is_categorical else float(values[f.name]) for f in study.factors}


def _middle(study: Study, answer: Answer) -> dict[str, float | str]:
    """Centre of the ranges on the scale of each factor, rounded to machine settings; levels as at the setpoint."""
    found = dict(answer.setpoint)
    for f in study.numeric:
        found[f.name] = float(round_settings(f, decode(f, [0.0]))[0])
    return found
