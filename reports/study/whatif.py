"""Trying a setting: the posterior draws travel inside the page, and the page computes with them as the library does.

The page gets the draws as 32-bit numbers and the points that stand for the setting error, and evaluates the same sums
as `doe.setpoint.robust`; that takes surfaces that are quadratics (`SurfaceDraws.quadratics`). While a page is made, its
formula is tried (`PanelDraws.rates`) against the library's. Where the two differ, or the surfaces are of a kind that
cannot be told to a page, it takes a coarse grid of the library's own numbers instead and says so.
"""

from __future__ import annotations

import json
from base64 import b64encode
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup
from numpy.typing import NDArray
from scipy.stats import qmc

from doe.domain.coding import decode
from doe.domain.factors import Factor
from doe.domain.masks import is_forbidden
from doe.domain.units import SYMBOLS, Shown
from doe.setpoint.robust import HAND_BLUR, RobustRate, error_nodes
from doe.surfaces.scaling import quadratic_features
from doe.words.wording import (
    amount_both,
    decimals_of,
    difference_both,
    move,
    stated,
)
from reports.drawing.palette import Floats
from reports.drawing.plot import RIM
from reports.study.figures import FADES_OVER, OnDial
from reports.study.inputs import StudyReport
from reports.study.proof import headed, rated
from reports.study.rooms import SEEN, dialled, error_of, reach_of
from reports.views import PageTable, WhatIf, heads

NODES = 64
"""Points that stand for the setting error; as many as the answer itself is computed with."""

MOST_NUMBERS = 250_000
"""Draws carried in a page, in 32-bit numbers (1 MB); beyond, only the levels of the setpoint are carried."""

# The grid that stands in: levels by number of numeric factors, so that the page stays small whatever the study.
LEVELS = {2: 21, 3: 13, 4: 8, 5: 6, 6: 4}
_GRID_DRAWS, _GRID_NODES = 200, 16
_LOGIT_STEP, _HAND_STEP = 0.02, 0.01  # finer than half a point of pass rate anywhere


@dataclass(frozen=True)
class PanelDraws:
    """Numbers the page computes with.

    Attributes
    ----------
    logit, hand : array, shape (combinations, draws, features)
        Quadratics of the pass logit and of mean hand-feel, rounded to 32 bits; ``hand`` is None without scores.
    lapse : array, shape (draws,)
    nodes : array, shape (nodes, factors)
        Setting errors in standard deviations.
    wanted_hand : float or None
        Hand-feel the spec asks for; None where it does not count.
    has_levels : bool
        Whether every combination of levels is carried.
    """

    logit: NDArray[np.float32]
    hand: NDArray[np.float32] | None
    lapse: NDArray[np.float32]
    nodes: NDArray[np.float32]
    wanted_hand: float | None
    has_levels: bool

    @classmethod
    def of(cls, report: StudyReport) -> PanelDraws | None:
        """The draws behind a report, one combination of levels only when all of them would make the page heavy.

        None where the surfaces are no quadratics, or a setting is judged by the worst of several levels.
        """
        surfaces = report.surfaces
        told = surfaces.draws.quadratics()
        if told is None or report.study.endured:
            return None
        logit, hand = told.logit, told.hand if surfaces.has_hand else None
        has_levels = logit.size * 2 <= MOST_NUMBERS or len(logit) == 1
        if not has_levels:
            here = int(surfaces.scaling.combination(pd.DataFrame([dict(report.answer.setpoint)]))[0])
            logit, hand = logit[here : here + 1], None if hand is None else hand[here : here + 1]
        nodes = error_nodes(len(report.study.numeric), NODES)[:, report.surfaces.scaling.rank]
        if all(f.setting_sd == 0 for f in report.study.numeric):
            nodes = nodes[:1] * 0
        wanted = report.study.spec.hand_min if RobustRate(report.study, surfaces).uses_hand else None
        felt = None if hand is None else _short(hand)
        return cls(_short(logit), felt, _short(surfaces.draws.lapse), _short(nodes), wanted, has_levels)

    def data(self) -> dict[str, Any]:
        """What the script reads."""
        parts = [part.ravel() for part in (self.lapse, self.nodes, self.logit, self.hand) if part is not None]
        return {
            "kind": "draws",
            "draws": len(self.lapse),
            "nodes": len(self.nodes),
            "features": self.logit.shape[2],
            "combinations": len(self.logit),
            "numbers": b64encode(np.concatenate(parts).astype("<f4").tobytes()).decode("ascii"),
            "blur": HAND_BLUR * 0.55 if self.wanted_hand is not None else None,
            "hasHand": self.hand is not None,
        }


def _short(values: Floats) -> NDArray[np.float32]:
    return values.astype(np.float32)


def what_if(report: StudyReport) -> WhatIf:
    """Panel of a report.

    Parameters
    ----------
    report : StudyReport
    """
    panel = PanelDraws.of(report)
    study, spec = report.study, report.study.spec
    carries_levels = panel is not None and panel.has_levels
    data: dict[str, Any] = {
        **(_grid(report) if panel is None else panel.data()),
        "factors": [_factor(report, f) for f in study.numeric],
        "reach": reach_of(report),
        "fades": FADES_OVER,
        "rim": RIM,
        "side": _side(report, every_level=carries_levels) if panel is not None else None,
        "seen": SEEN,
        "levels": [
            {"label": f.label, "levels": list(f.levels), "here": f.levels.index(str(report.answer.setpoint[f.name]))}
            for f in study.categorical
        ]
        if carries_levels
        else [],
        "target": spec.pass_rate,
        "assurance": spec.assurance,
        "assured": stated(spec.assurance),
        "wanted": stated(spec.pass_rate),
        "handWanted": spec.hand_min,
        "forbidden": _forbidden(report, every_level=carries_levels),
    }
    held = ", ".join(f"{f.label} {report.answer.setpoint[f.name]}" for f in study.categorical)
    stays = f"; {held} stays" if held and not carries_levels else ""
    how = ""
    if panel is None:
        how = (
            " Surfaces of this kind cannot be computed in a page. Read off a coarse grid of the same surfaces, so the "
            "last point may differ from the tables."
        )
    return WhatIf(
        as_script_data(data),
        f"Drag a mark, or use the arrow keys, to try a setting{stays}.{how} A look, not a recommendation.",
        off_table(report),
    )


def off_table(report: StudyReport) -> PageTable:
    """What it costs when one setting alone is off by one setting error, for paper and for readers without scripts."""
    study, setpoint, shown = report.study, report.answer.setpoint, report.shown
    names, rows = ["at the setpoint"], [dict(setpoint)]
    for f in study.numeric:
        for sign, way in ((-1, "lower"), (1, "higher")):
            value = float(setpoint[f.name]) + sign * f.setting_sd
            if f.setting_sd and f.low <= value <= f.high:
                off = f"{difference_both(f, f.setting_sd, shown)} {move(f, way)}"
                names.append(f"{f.label} {off}: {amount_both(f, value, shown)}")
                rows.append({**setpoint, f.name: value})
    never = is_forbidden(study.forbidden, pd.DataFrame(rows))
    return PageTable(
        "When one setting alone is set off by one setting error",
        heads(f"Setting | Expected pass rate: | At least ({stated(study.spec.assurance)} assurance): | Hand-feel:"),
        tuple(
            (headed(name), "never make this", "", hand) if is_never else (headed(name), rate, low, hand)
            for name, is_never, (rate, low, hand) in zip(names, never, rated(report, rows, 1), strict=True)
        ),
        "A setting that would leave the tested range is left out: nothing is known there.",
    )


def as_script_data(data: Any) -> Markup:
    """JSON that may stand inside a script element: nothing in it can end the element."""
    text = json.dumps(data, separators=(",", ":"), allow_nan=False)
    return Markup(text.replace("<", "\\u003c"))


def _grid(report: StudyReport) -> dict[str, Any]:
    """Expected robust pass rate, its lower bound and mean hand-feel over all numeric factors, on a coarse grid."""
    study = report.study
    levels = LEVELS[len(study.numeric)]
    frame = grid_frame(report, levels)
    rate = RobustRate(study, report.surfaces)
    rates = rate.draws(frame, nodes=_GRID_NODES, draws=report.surfaces.draws.thin(_GRID_DRAWS))
    hand = report.surfaces.hand_draws(frame)
    return {
        "kind": "grid",
        "points": levels,
        "step": _LOGIT_STEP,
        "handStep": _HAND_STEP,
        "expected": _steps(_logit(rates.mean(axis=0)), _LOGIT_STEP),
        "low": _steps(_logit(np.quantile(rates, 1 - study.spec.assurance, axis=0)), _LOGIT_STEP),
        "hand": None if hand is None else _steps(hand.mean(axis=0), _HAND_STEP),
        "hasHand": hand is not None,
    }


def grid_frame(report: StudyReport, levels: int) -> pd.DataFrame:
    """Settings of the grid, last factor running fastest; levels of categorical factors as in the setpoint."""
    study = report.study
    axes = [decode(f, np.linspace(-1, 1, levels)) for f in study.numeric]
    mesh = np.meshgrid(*axes, indexing="ij")
    frame = pd.DataFrame({f.name: m.ravel() for f, m in zip(study.numeric, mesh, strict=True)})
    for f in study.categorical:
        frame[f.name] = report.answer.setpoint[f.name]
    return frame[list(study.factor_names)]


def _logit(p: Floats) -> Floats:
    q = np.clip(p, 0.0005, 0.9995)
    return np.asarray(np.log(q / (1 - q)))


def _steps(values: Floats, step: float) -> list[int]:
    return [int(v) for v in np.round(values / step)]


def _factor(report: StudyReport, f: Factor) -> dict[str, Any]:
    shown = report.shown
    dial = dialled(report, f) or OnDial()
    return {
        "name": f.name,
        "label": f.label,
        "low": f.low,
        "high": f.high,
        "here": float(report.answer.setpoint[f.name]),
        "step": f.step or (f.high - f.low) / 100,
        "error": error_of(f),
        "axis": "inverse" if f.is_temperature else "log" if f.scale == "log" else "straight",
        "log": f.scale == "log",
        "sd": f.setting_sd,
        "units": [_unit(f, units, dial) for units in ((shown, shown.other) if f.is_temperature else (shown,))],
    }


def _side(report: StudyReport, *, every_level: bool) -> list[list[float]]:
    """Logit of too much heat against too little as a quadratic of the settings, a row a combination of levels.

    Fitted to the library's own chances over the tested region; the page reads its sign only.
    """
    study, scaling = report.study, report.surfaces.scaling
    coded = qmc.Halton(len(study.numeric), scramble=False).random(128)[1:] * 2 - 1
    frame = pd.DataFrame({f.name: decode(f, coded[:, j]) for j, f in enumerate(study.numeric)})
    here = {f.name: report.answer.setpoint[f.name] for f in study.categorical}
    told = []
    for levels in scaling.combinations() if every_level else [here]:
        rows = frame.assign(**levels)[list(study.factor_names)]
        under, over = (chance.mean(axis=0) for chance in report.surfaces.side_draws(rows))
        logit = np.log(np.maximum(over, 1e-9) / np.maximum(under, 1e-9))
        told.append(np.linalg.lstsq(quadratic_features(scaling.z(rows)), logit, rcond=None)[0].round(4).tolist())
    return told


def _unit(f: Factor, units: Shown, dial: OnDial) -> dict[str, Any]:
    """From a setting to the number that is read on its dial."""
    zero = units.value(0.0, f.unit)
    per = units.value(1.0, f.unit) - zero
    return {
        "zero": zero + per * dial.zero,
        "per": per * dial.per,
        "symbol": SYMBOLS[units.unit(f.unit)],
        "decimals": decimals_of(f, units),
    }


def _forbidden(report: StudyReport, *, every_level: bool) -> list[dict[str, Any]]:
    """Combinations as the script reads them: clauses over sliders, and over levels where these can be chosen."""
    numeric = [f.name for f in report.study.numeric]
    categorical = [f.name for f in report.study.categorical]
    out = []
    for combination in report.study.forbidden:
        words = [c for c in combination.clauses if c.factor not in numeric]
        if not every_level and any(report.answer.setpoint[c.factor] != c.value for c in words):
            continue  # names another level than the one that stays
        out.append(
            {
                "clauses": [
                    [numeric.index(c.factor), c.compare, c.value] for c in combination.clauses if c.factor in numeric
                ],
                "levels": [[categorical.index(c.factor), c.value] for c in words] if every_level else [],
                "reason": combination.reason,
            }
        )
    return out
