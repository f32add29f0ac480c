"""Curves and maps through the setpoint, and the cliffs they show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.coding import FloatArray, round_inward
from doe.domain.factors import Factor
from doe.domain.study import Study
from doe.setpoint.answer import Answer, Cliff, SettingRoom, Window
from doe.setpoint.robust import RobustRate
from doe.setpoint.search import is_ruled_out
from doe.surfaces.fitted import Surfaces

Setpoint = Mapping[str, float | str]

_EDGES = 81  # settings of each factor that are looked at

CLIFF_DROP = 0.10
"""Loss of expected robust pass rate, against the setpoint's, that is called a cliff."""


@dataclass(frozen=True)
class Profile:
    """What happens when one factor moves alone from the setpoint, over its tested range.

    Arrays of shape (points,): the factor's ``values``; expected robust ``pass_rate`` of the whole spec with the
    two-sided interval ``pass_low``, ``pass_high`` (each end holds with the spec's assurance); ``checks`` the expected
    rate of the checks alone; ``p_under``, ``p_over`` of a coupon made at the very setting; ``hand``, ``hand_low``,
    ``hand_high`` (NaN without scores).
    """

    factor: str
    values: FloatArray
    pass_rate: FloatArray
    pass_low: FloatArray
    pass_high: FloatArray
    checks: FloatArray
    p_under: FloatArray
    p_over: FloatArray
    hand: FloatArray
    hand_low: FloatArray
    hand_high: FloatArray


@dataclass(frozen=True)
class RobustMap:
    """Two factors over their tested ranges, the others at the setpoint.

    ``x_values`` shape (n,), ``y_values`` shape (n,); the grids have shape (n, n), rows follow y: expected robust
    ``pass_rate`` of the whole spec, its lower bound ``pass_low``, ``checks`` alone, mean ``hand`` (NaN without scores),
    ``p_under`` and ``p_over`` of a coupon made at the very settings.
    """

    x: str
    y: str
    x_values: FloatArray
    y_values: FloatArray
    pass_rate: FloatArray
    pass_low: FloatArray
    checks: FloatArray
    hand: FloatArray
    p_under: FloatArray
    p_over: FloatArray


def _at(study: Study, setpoint: Setpoint, columns: dict[str, FloatArray]) -> pd.DataFrame:
    rows = len(next(iter(columns.values())))
    return pd.DataFrame({n: columns[n] if n in columns else [setpoint[n]] * rows for n in study.factor_names})


def profile(study: Study, surfaces: Surfaces, answer: Answer, factor: str, n: int = 61) -> Profile:
    """Curves through the setpoint of an answer along one numeric factor, over its tested range only."""
    return _curve(study, surfaces, answer.setpoint, factor, n)


def _curve(study: Study, surfaces: Surfaces, setpoint: Setpoint, factor: str, n: int) -> Profile:
    f = study.factor(factor)
    values = np.linspace(f.low, f.high, n)
    frame = _at(study, setpoint, {factor: values})
    rate, thin = RobustRate(study, surfaces), surfaces.draws.thin(400)
    rates, of_checks = rate.draws_and_checks(frame, draws=thin)
    low = 1 - study.spec.assurance
    pass_low, pass_high = np.quantile(rates, [low, 1 - low], axis=0)
    under, over = surfaces.side_draws(frame)
    hand = surfaces.hand_draws(frame)
    blank = np.full(n, np.nan)
    bands = (blank, blank) if hand is None else tuple(np.quantile(hand, [low, 1 - low], axis=0))
    return Profile(
        factor,
        values,
        rates.mean(axis=0),
        pass_low,
        pass_high,
        of_checks.mean(axis=0),
        under.mean(axis=0),
        over.mean(axis=0),
        blank if hand is None else hand.mean(axis=0),
        bands[0],
        bands[1],
    )


def robust_map(study: Study, surfaces: Surfaces, answer: Answer, x: str, y: str, n: int = 41) -> RobustMap:
    """Grids through the setpoint of an answer over two numeric factors, inside their tested ranges."""
    fx, fy = study.factor(x), study.factor(y)
    xs, ys = np.linspace(fx.low, fx.high, n), np.linspace(fy.low, fy.high, n)
    gx, gy = np.meshgrid(xs, ys)
    frame = _at(study, answer.setpoint, {x: gx.ravel(), y: gy.ravel()})
    rate, thin = RobustRate(study, surfaces), surfaces.draws.thin(200)
    rates, checks = rate.draws_and_checks(frame, nodes=16, draws=thin)
    under, over = surfaces.side_draws(frame)
    hand = surfaces.hand_draws(frame)

    def grid(values: FloatArray) -> FloatArray:
        return np.asarray(values, dtype=float).reshape(n, n)

    return RobustMap(
        x,
        y,
        xs,
        ys,
        grid(rates.mean(axis=0)),
        grid(np.quantile(rates, 1 - study.spec.assurance, axis=0)),
        grid(checks.mean(axis=0)),
        np.full((n, n), np.nan) if hand is None else grid(hand.mean(axis=0)),
        grid(under.mean(axis=0)),
        grid(over.mean(axis=0)),
    )


def find_edges(
    study: Study, surfaces: Surfaces, setpoint: Setpoint, window: Window | None
) -> tuple[tuple[Cliff, ...], tuple[SettingRoom, ...]]:
    """Cliffs around a setpoint, nearest first in setting errors, and how far each setting may move alone.

    Both lie inside the tested ranges. Room says something only where the target holds at the setpoint; it is never less
    than the window, whose box holds with more care.
    """
    cliffs: list[Cliff] = []
    rooms: list[SettingRoom] = []
    for f in study.numeric:
        curve = _curve(study, surfaces, setpoint, f.name, n=_EDGES)
        here = float(setpoint[f.name])
        cliffs += _cliffs(f, curve, here)
        ruled_out = is_ruled_out(study, _at(study, setpoint, {f.name: curve.values}))
        rooms.append(_room(study, f, curve, here, window, ruled_out))
    ordered = tuple(sorted(cliffs, key=lambda c: (np.isnan(c.setting_errors), c.setting_errors)))
    return ordered, tuple(rooms)


def _cliffs(f: Factor, curve: Profile, here: float) -> list[Cliff]:
    found = []
    level = float(np.interp(here, curve.values, curve.pass_rate)) - CLIFF_DROP
    below = curve.pass_rate < level
    for direction, rows in (
        ("lower", np.flatnonzero(below & (curve.values < here))[::-1]),
        ("higher", np.flatnonzero(below & (curve.values > here))),
    ):
        if not len(rows):
            continue
        at = float(curve.values[rows[0]])
        distance = abs(at - here)
        found.append(
            Cliff(
                factor=f.name,
                direction="lower" if direction == "lower" else "higher",
                at=at,
                distance=distance,
                setting_errors=_errors(f, distance),
                side="over" if curve.p_over[rows[0]] > curve.p_under[rows[0]] else "under",
            )
        )
    return found


def _room(
    study: Study, f: Factor, curve: Profile, here: float, window: Window | None, ruled_out: NDArray[np.bool_]
) -> SettingRoom:
    short = (curve.pass_rate < study.spec.pass_rate) | ruled_out
    least, most = study.limits.bounds(f.name, f.heated_mm) if study.limits else (None, None)
    below, above = curve.values[short & (curve.values < here)], curve.values[short & (curve.values > here)]
    step = curve.values[1] - curve.values[0]
    low = max(below.max() + step if len(below) else f.low, f.low if least is None else least)
    high = min(above.min() - step if len(above) else f.high, f.high if most is None else most)
    low, high = round_inward(f, min(low, here), max(high, here)) or (here, here)
    if window is not None:
        box = window.bounds.astype(float).T[f.name]
        low, high = min(low, box["low"]), max(high, box["high"])
    return SettingRoom(f.name, low, high, _errors(f, here - low), _errors(f, high - here))


def _errors(f: Factor, distance: float) -> float:
    return distance / f.setting_sd if f.setting_sd else float("nan")
