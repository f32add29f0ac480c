"""The what-if panel: the surfaces on a coarse grid, small enough to travel inside the page.

The page has no model. It blends the nearest grid points, on the logit scale and in coded settings, where the surfaces
are smooth; how well that works is measured in the tests, not assumed.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup
from numpy.typing import NDArray

from doe.domain.coding import decode
from doe.domain.factors import Factor
from doe.domain.units import SYMBOLS, Shown
from doe.setpoint import RobustRate
from reports.study_inputs import StudyReport
from reports.wording import decimals_of, other_units

# Grid levels by number of numeric factors: the page stays below 150 kB whatever the study.
LEVELS = {2: 21, 3: 13, 4: 8, 5: 6, 6: 4}
_DRAWS, _NODES = 200, 16
_LOGIT_STEP = 0.02  # finer than half a point of pass rate anywhere
_HAND_STEP = 0.01


@dataclass(frozen=True)
class WhatIf:
    """Data of the panel: ``grid`` is JSON for the script; ``held`` says which levels stay fixed, may be empty."""

    grid: Markup
    held: str


def what_if(report: StudyReport) -> WhatIf:
    """Grid of expected robust pass rate, its lower bound and mean hand-feel over all numeric factors.

    Parameters
    ----------
    report : StudyReport
    """
    study, shown = report.study, report.shown
    levels = LEVELS[len(study.numeric)]
    frame = grid_frame(report, levels)
    rate = RobustRate(study, report.surfaces)
    rates = rate.draws(frame, nodes=_NODES, draws=report.surfaces.window.thin(_DRAWS))
    hand = report.surfaces.hand_draws(frame)
    data: dict[str, Any] = {
        "levels": levels,
        "factors": [_factor(f, report.answer.setpoint[f.name], shown) for f in study.numeric],
        "step": _LOGIT_STEP,
        "handStep": _HAND_STEP,
        "expected": _steps(_logit(rates.mean(axis=0)), _LOGIT_STEP),
        "low": _steps(_logit(np.quantile(rates, 1 - study.spec.assurance, axis=0)), _LOGIT_STEP),
        "hand": None if hand is None else _steps(hand.mean(axis=0), _HAND_STEP),
        "target": study.spec.pass_rate,
        "handWanted": study.spec.hand_min,
        "window": _window(report),
        "forbidden": _forbidden(report),
    }
    held = ", ".join(f"{f.label} {report.answer.setpoint[f.name]}" for f in study.categorical)
    return WhatIf(as_script_data(data), held)


def as_script_data(data: Any) -> Markup:
    """JSON that may stand inside a script element: nothing in it can end the element."""
    text = json.dumps(data, separators=(",", ":"), allow_nan=False)
    return Markup(text.replace("<", "\\u003c"))


def grid_frame(report: StudyReport, levels: int) -> pd.DataFrame:
    """Settings of the grid, last factor running fastest; levels of categorical factors as in the setpoint."""
    study = report.study
    axes = [decode(f, np.linspace(-1, 1, levels)) for f in study.numeric]
    mesh = np.meshgrid(*axes, indexing="ij")
    frame = pd.DataFrame({f.name: m.ravel() for f, m in zip(study.numeric, mesh, strict=True)})
    for f in study.categorical:
        frame[f.name] = report.answer.setpoint[f.name]
    return frame[list(study.factor_names)]


def _logit(p: NDArray[np.float64]) -> NDArray[np.float64]:
    q = np.clip(p, 0.0005, 0.9995)
    return np.asarray(np.log(q / (1 - q)))


def _steps(values: NDArray[np.float64], step: float) -> list[int]:
    return [int(v) for v in np.round(values / step)]


def _factor(f: Factor, here: float | str, shown: Shown) -> dict[str, Any]:
    return {
        "label": f.label,
        "low": f.low,
        "high": f.high,
        "here": float(here),
        "step": f.step or (f.high - f.low) / 100,
        "log": f.scale == "log",
        "units": [_unit(f, units) for units in ((shown, other_units(shown)) if f.is_temperature else (shown,))],
    }


def _unit(f: Factor, units: Shown) -> dict[str, Any]:
    zero = units.value(0.0, f.unit)
    return {
        "zero": zero,
        "per": units.value(1.0, f.unit) - zero,
        "symbol": SYMBOLS[units.unit(f.unit)],
        "decimals": decimals_of(f, units),
    }


def _window(report: StudyReport) -> list[list[float]] | None:
    window = report.answer.window
    if window is None:
        return None
    return [[float(window.bounds["low"][f.name]), float(window.bounds["high"][f.name])] for f in report.study.numeric]


def _forbidden(report: StudyReport) -> list[dict[str, Any]]:
    """Combinations as the script reads them; one that names another level than the setpoint's can never match."""
    numeric = [f.name for f in report.study.numeric]
    out = []
    for combination in report.study.forbidden:
        words = [c for c in combination.clauses if c.factor not in numeric]
        if all(report.answer.setpoint[c.factor] == c.value for c in words):
            clauses = [
                [numeric.index(c.factor), c.compare, c.value] for c in combination.clauses if c.factor in numeric
            ]
            out.append({"clauses": clauses, "reason": combination.reason})
    return out
