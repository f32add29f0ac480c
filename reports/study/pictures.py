"""The pictures of a study report, each with a title that says what it shows."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.factors import Factor
from doe.domain.masks import is_forbidden
from doe.setpoint.answer import Window
from doe.setpoint.curves import Profile, RobustMap, profile, robust_map
from doe.words.study.answer import cliff_sentence, setpoint_line, wanted
from doe.words.wording import (
    amount,
    at_least_of_hundred,
    count,
    listing,
    move,
    part_of,
    percent,
    prints,
    range_both,
    score,
    sentence,
    stated,
)
from reports.study.coupon_figures import draw_drift, draw_strip
from reports.study.inputs import StudyReport
from reports.study.prints_figure import draw_prints
from reports.study.surface_figures import Box, Curve, Dots, MapGrid, draw_map, draw_profile
from reports.views import Picture

_MAP_POINTS = 31  # each way; contours are as smooth as with more, in half the time
_MARKS_KEY = (
    "Open circle: passed. Triangle down: too little heat. Triangle up: too much heat. Square: not heat. "
    "Cross: side unknown."
)


def profiles_of(report: StudyReport) -> dict[str, Profile]:
    """One-factor curves through the setpoint, by factor name, in the study's order."""
    return {f.name: profile(report.study, report.surfaces, report.answer, f.name) for f in report.study.numeric}


def pairs_of(report: StudyReport, profiles: dict[str, Profile]) -> tuple[tuple[str, str], ...]:
    """Pairs to map: those asked for, else the two factors that decide most, then the next two."""
    if report.pairs:
        return report.pairs
    reach = {name: float(np.ptp(curve.pass_rate)) for name, curve in profiles.items()}
    ranked = sorted(reach, key=lambda name: -reach[name])
    order = {name: i for i, name in enumerate(profiles)}
    chosen = [tuple(sorted(ranked[i : i + 2], key=order.__getitem__)) for i in (0, 2) if len(ranked) >= i + 2]
    return tuple((a, b) for a, b in chosen)


def prints_picture(report: StudyReport) -> Picture:
    """A hundred prints at the setpoint."""
    answer = report.answer
    title = f"{prints(answer.pass_rate)} expected, at least {at_least_of_hundred(answer.pass_rate_low)}"
    return Picture(
        draw_prints(
            answer.pass_rate,
            answer.pass_rate_low,
            name="prints",
            title=title,
            description=f"A hundred small prints. {prints(answer.pass_rate)} are expected to "
            f"{wanted(report.study, answer)}.",
        ),
        title,
        f"Filled: pass even by the lower bound ({stated(report.study.spec.assurance)} assurance). Outlined: expected "
        f"to "
        "pass. Crossed: expected to fail.",
    )


def map_pictures(report: StudyReport, profiles: dict[str, Profile]) -> tuple[Picture, ...]:
    """Pass-rate map of each pair, and the hand-feel map beside it when hand-feel was scored."""
    pictures = []
    for number, (x, y) in enumerate(pairs_of(report, profiles), start=1):
        surface = robust_map(report.study, report.surfaces, report.answer, x, y, n=_MAP_POINTS)
        pictures.append(_pass_map(report, surface, number))
        if report.answer.hand is not None:
            pictures.append(_hand_map(report, surface, number))
    return tuple(pictures)


def _grid(report: StudyReport, surface: RobustMap, *, of_hand: bool) -> MapGrid:
    study = report.study
    gx, gy = np.meshgrid(surface.x_values, surface.y_values)
    frame = {f.name: np.repeat(report.answer.setpoint[f.name], gx.size) for f in study.factors}
    frame |= {surface.x: gx.ravel(), surface.y: gy.ravel()}
    return MapGrid(
        study.factor(surface.x),
        study.factor(surface.y),
        surface.x_values,
        surface.y_values,
        surface.hand if of_hand else surface.pass_rate,
        None if of_hand else surface.p_over - surface.p_under,
        ~is_forbidden(study.forbidden, pd.DataFrame(frame)).reshape(gx.shape),
    )


def _dots(report: StudyReport, x: str, y: str) -> Dots:
    settings = report.surfaces.results.settings
    return Dots(settings[x].to_numpy(dtype=float), settings[y].to_numpy(dtype=float), report.marks, report.near(x, y))


def _box(window: Window | None, x: str, y: str) -> Box | None:
    if window is None:
        return None
    low, high = window.bounds["low"], window.bounds["high"]
    return Box((float(low[x]), float(high[x])), (float(low[y]), float(high[y])))


def _spot(report: StudyReport, x: str, y: str) -> tuple[float, float]:
    return float(report.answer.setpoint[x]), float(report.answer.setpoint[y])


def _levels(target: float, usual: tuple[float, ...]) -> list[float]:
    """Contour levels with the target among them and none so close that labels collide."""
    return sorted({*(v for v in usual if abs(v - target) > 0.03), target})


def _pass_map(report: StudyReport, surface: RobustMap, number: int) -> Picture:
    study, answer = report.study, report.answer
    fx, fy = study.factor(surface.x), study.factor(surface.y)
    target = study.spec.pass_rate
    share = float((surface.pass_rate >= target).mean())
    both = sentence(f"{fx.label} and {fy.label}").rstrip(".")
    if answer.window is not None:
        box = answer.window.bounds
        along = [range_both(f, box["low"][f.name], box["high"][f.name], report.shown) for f in (fx, fy)]
        title = f"{percent(target)} is expected with {fx.label} {along[0]} and {fy.label} {along[1]}"
    elif share > 0:
        why = "but in no box" if answer.pass_rate < target else "but not every setting was varied"
        title = f"{both}: {percent(target)} is expected in {percent(share)} of this plane, {why}"
    else:
        title = (
            f"{both}: the best expected here is {percent(float(surface.pass_rate.max()))}, wanted is {percent(target)}"
        )
    others = [f for f in study.factors if f.name not in (fx.name, fy.name)]
    held = listing([f"{f.label} {amount(f, answer.setpoint[f.name], report.shown)}" for f in others])
    return Picture(
        draw_map(
            _grid(report, surface, of_hand=False),
            name=f"map{number}",
            title=title,
            description=f"Map of the expected pass rate, setting error included. Setpoint: "
            f"{setpoint_line(study, answer)}.",
            levels=_levels(target, (0.5, 0.7, 0.8, 0.9)),
            target=target,
            as_percent=True,
            setpoint=_spot(report, fx.name, fy.name),
            window=_box(answer.window, fx.name, fy.name),
            assured=_box(answer.assured_window, fx.name, fy.name),
            dots=_dots(report, fx.name, fy.name),
            shown=report.shown,
        ),
        title,
        f"Expected share of prints that {wanted(study, answer)}, setting error included. Blue side: too little heat. "
        "Brown side: too much. Hatched: not tested."
        + (f" Other settings as in the setpoint ({held}); coupons far from them are small and pale." if others else ""),
    )


def _hand_map(report: StudyReport, surface: RobustMap, number: int) -> Picture:
    study, answer = report.study, report.answer
    fx, fy = study.factor(surface.x), study.factor(surface.y)
    least = study.spec.hand_min
    low, high = float(surface.hand.min()), float(surface.hand.max())
    title = f"Hand-feel runs from {score(low)} to {score(high)} in this plane"
    if least is not None:
        title += f"; {score(least)} or more on {part_of(float((surface.hand >= least).mean()), 'it')}"
    levels = _levels(least or 3.0, (1.5, 2, 2.5, 3, 3.25, 3.5, 3.75, 4, 4.25, 4.5))
    return Picture(
        draw_map(
            _grid(report, surface, of_hand=True),
            name=f"hand{number}",
            title=title,
            description=f"Map of the mean hand-feel, 5 is softest. Setpoint: {setpoint_line(study, answer)}.",
            levels=[v for v in levels if low < v < high] or [least or 3.0],
            target=least,
            as_percent=False,
            setpoint=_spot(report, fx.name, fy.name),
            window=_box(answer.window, fx.name, fy.name),
            assured=_box(answer.assured_window, fx.name, fy.name),
            shown=report.shown,
        ),
        title,
        "Mean hand-feel of prints that transferred, 5 as soft as the soft reference. Darker is stiffer.",
    )


def profile_pictures(report: StudyReport, profiles: dict[str, Profile]) -> tuple[Picture, ...]:
    """What could break it: each numeric factor moved alone from the setpoint."""
    return tuple(_profile_picture(report, curve) for curve in profiles.values())


def _profile_picture(report: StudyReport, curve: Profile) -> Picture:
    study, answer = report.study, report.answer
    f = study.factor(curve.factor)
    cliffs = sorted((c for c in answer.cliffs if c.factor == f.name), key=lambda c: c.distance)
    title = cliff_sentence(study, cliffs[0], report.shown).split(". That")[0] if cliffs else _no_cliff(f, curve)
    return Picture(
        draw_profile(
            Curve(
                f, curve.values, curve.pass_rate, curve.pass_low, curve.pass_high, tuple((c.at, c.side) for c in cliffs)
            ),
            name=f"profile-{f.name}",
            title=title,
            description=f"Expected pass rate while {f.label} moves alone from the setpoint "
            f"{amount(f, answer.setpoint[f.name], report.shown)}, with its band.",
            setpoint=float(answer.setpoint[f.name]),
            target=study.spec.pass_rate,
            window=_along(report, f),
            as_percent=True,
            shown=report.shown,
        ),
        title,
        "",
    )


def _no_cliff(f: Factor, curve: Profile) -> str:
    drop = float(np.ptp(curve.pass_rate))
    lower, higher = move(f, "lower"), move(f, "higher")
    return sentence(f"{f.label}: {lower} or {higher} inside its range costs at most {100 * drop:.0f} points").rstrip(
        "."
    )


def strip_pictures(report: StudyReport) -> tuple[Picture, ...]:
    """Every coupon along each factor."""
    return tuple(_strip_picture(report, f) for f in report.study.factors)


def _strip_picture(report: StudyReport, f: Factor) -> Picture:
    settings = report.surfaces.results.settings[f.name].to_numpy()
    title = sentence(f"{f.label}: passed {listing(_shares(report, f))}").rstrip(".")
    return Picture(
        draw_strip(
            f,
            list(settings),
            report.marks,
            name=f"strip-{f.name}",
            title=title,
            description=f"Coupons along {f.label}, passed above, failed below. {_MARKS_KEY}",
            setpoint=report.answer.setpoint[f.name],
            window=_along(report, f),
            shown=report.shown,
        ),
        title,
        "",
    )


def _along(report: StudyReport, f: Factor) -> tuple[float, float] | None:
    """The expected window along one factor; None without one, and for levels."""
    window = report.answer.window
    if window is None or f.is_categorical:
        return None
    return float(window.bounds["low"][f.name]), float(window.bounds["high"][f.name])


def _shares(report: StudyReport, f: Factor) -> list[str]:
    """Passes of each setting, or of each third of the range when the settings are many."""
    settings, passed = report.surfaces.results.settings[f.name].to_numpy(), report.surfaces.results.passed
    if f.is_categorical:
        groups = [(f"with {level}", settings == level) for level in f.levels]
    elif len(np.unique(settings)) <= 5:
        groups = [(f"at {amount(f, v, report.shown)}", settings == v) for v in np.unique(settings)]
    else:
        ends = np.geomspace(f.low, f.high, 4)[1:3] if f.scale == "log" else np.linspace(f.low, f.high, 4)[1:3]
        third = np.searchsorted(ends, settings.astype(float))
        groups = [(f"in the {name} third", third == i) for i, name in enumerate(("low", "middle", "high"))]
    return [f"{int(passed[rows].sum())} of {int(rows.sum())} {words}" for words, rows in groups if rows.any()]


def run_pictures(report: StudyReport) -> tuple[Picture, ...]:
    """Results in the order of pressing; nothing when the plan's order is not known."""
    fitted = report.surfaces.results
    plan = report.coupons
    if "press_order" not in plan.columns or not set(fitted.coupon) <= set(plan["coupon"].astype(str)):
        return ()
    rows = plan.assign(coupon=plan["coupon"].astype(str)).set_index("coupon").loc[list(fitted.coupon)]
    place = np.lexsort((rows["press_order"].to_numpy(dtype=float), rows["round"].to_numpy(dtype=float)))
    hand = report.mean_hand()
    is_hand = int(np.isfinite(hand).sum()) >= 3
    values = (hand if is_hand else fitted.passed.astype(float))[place]
    role = rows["role"].astype(str) if "role" in rows else rows["round"].astype(str)
    centre = role.str.contains("centre").to_numpy()[place]
    title = _drift_title(values, centre, is_hand=is_hand)
    return (
        Picture(
            draw_drift(
                np.arange(1, len(place) + 1, dtype=float),
                values,
                report.marks[place],
                centre,
                rounds=rows["round"].to_numpy(dtype=float)[place],
                is_hand=is_hand,
                name="drift",
                title=title,
                description=f"Results in the order of pressing. {_MARKS_KEY}",
            ),
            title,
            "The line joins coupons of the same centre setting. If it climbs or falls, something else than the "
            "settings changed during the day." + (" Coupons without a hand-feel are left out." if is_hand else ""),
        ),
    )


def _drift_title(values: NDArray[np.float64], centre: NDArray[np.bool_], *, is_hand: bool) -> str:
    same = values[centre & np.isfinite(values)]
    if len(same) < 2:
        return "Too few repeats of the centre setting to see drift"
    if not is_hand:
        return f"Centre setting made {count(len(same), 'time')}: passed {int(same.sum())}"
    change = float(same[-1] - same[0])
    made = (
        f"Centre setting made {count(len(same), 'time')}: hand-feel {score(float(same[0]))} first, "
        f"{score(float(same[-1]))} last"
    )
    return (
        f"{made}, no step worth a half point" if abs(change) < 0.5 else f"{made}, a change of {abs(change):.1f} points"
    )
