"""The pictures of a study report, each with a title that says what it shows."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.factors import Factor
from doe.domain.masks import is_forbidden
from doe.domain.units import fixed
from doe.setpoint.curves import Profile, RobustMap, profile, robust_map
from doe.words.study.answer import setpoint_line, wanted
from doe.words.wording import (
    amount,
    at_least_of_hundred,
    count,
    listing,
    part_of,
    percent,
    prints,
    score,
    sentence,
    stated,
)
from reports.drawing.plot import Along
from reports.study.figures import (
    Dots,
    MapGrid,
    draw_map,
    draw_order,
    draw_prints,
    draw_tried,
    span,
)
from reports.study.inputs import StudyReport
from reports.study.proof import headed
from reports.views import Picture

_MAP_POINTS = 31  # each way; contours are as smooth as with more, in half the time
MARK_WORDS = {
    "pass": "circle: passed",
    "under": "triangle down: too little heat",
    "over": "triangle up: too much heat",
    "other": "square: not heat",
    "unknown": "cross: side unknown",
}
"""What the marks of coupons mean, by the keys of `reports.drawing.plot.SHAPES`."""


def marks_key(report: StudyReport) -> str:
    """What the marks of coupons mean, of those that a report shows."""
    return sentence("; ".join(words for key, words in MARK_WORDS.items() if key in report.marks))


def map_key(report: StudyReport) -> str:
    """How the maps of a report are read."""
    window = ", thick lines on the axes: window" if report.answer.window is not None else ""
    return (
        f"Ringed cross: setpoint{window}. White is good; the darker, the fewer prints hold. {marks_key(report)} "
        "A number counts coupons in one place; pale ones lie far from the map. "
        "Hatched: not tested."
    )


def profiles_of(report: StudyReport) -> dict[str, Profile]:
    """One-factor curves through the setpoint, by factor name, in the study's order."""
    return {f.name: profile(report.study, report.surfaces, report.answer, f.name) for f in report.study.numeric}


def pairs_of(profiles: dict[str, Profile]) -> tuple[tuple[str, str], ...]:
    """Pairs to map: the two factors that decide most, then the next two."""
    ranked = sorted(profiles, key=lambda name: -float(np.ptp(profiles[name].pass_rate)))
    chosen = [sorted(ranked[i : i + 2], key=list(profiles).index) for i in (0, 2) if len(ranked) >= i + 2]
    return tuple((a, b) for a, b in chosen)


def prints_picture(report: StudyReport) -> Picture:
    """A hundred prints at the setpoint."""
    answer = report.answer
    title = f"{prints(answer.pass_rate)} expected, at least {at_least_of_hundred(answer.pass_rate_low)}"
    told = f"A hundred small prints. {prints(answer.pass_rate)} are expected to {wanted(report.study, answer)}."
    return Picture(
        draw_prints(answer.pass_rate, answer.pass_rate_low, name="prints", title=title, description=told),
        title,
        "Filled: pass even by the lower bound. Outlined: expected to pass. Crossed: expected to fail.",
    )


def map_pictures(report: StudyReport, maps: list[RobustMap]) -> tuple[Picture, ...]:
    """Pass-rate map of each pair, and that of hand-feel beside it where hand-feel is not nearly the same all over."""
    pictures = []
    for number, surface in enumerate(maps, start=1):
        pictures.append(_pass_map(report, surface, number))
        if report.answer.hand is not None and not is_flat(report, surface):
            pictures.append(_hand_map(report, surface, number))
    return tuple(pictures)


def maps_of(report: StudyReport, profiles: dict[str, Profile]) -> Iterator[RobustMap]:
    """What the maps show, in the order of `pairs_of`, each worked out when it is asked for."""
    for x, y in pairs_of(profiles):
        yield robust_map(report.study, report.surfaces, report.answer, x, y, n=_MAP_POINTS)


FLAT = 0.5
"""Hand-feel that differs by less over a plane is as good as flat: the smallest step a person scores."""


def is_flat(report: StudyReport, surface: RobustMap) -> bool:
    """Whether a map of hand-feel would show next to nothing: all of it on one side of what is wanted, or level."""
    low, high, least = float(surface.hand.min()), float(surface.hand.max()), report.study.spec.hand_min
    return high - low < FLAT or (least is not None and not low < least <= high)


def flat_lines(report: StudyReport, maps: list[RobustMap]) -> tuple[str, ...]:
    """A sentence in place of each map of hand-feel that would be nearly flat."""
    if report.answer.hand is None:
        return ()
    flat = [surface for surface in maps if is_flat(report, surface)]
    told = {_hand_title(report, surface): [_pair(report, other) for other in flat] for surface in flat}
    if len(flat) > 1 and len(told) == 1:
        return (f"{next(iter(told))} (both maps).",)
    return tuple(f"{_hand_title(report, surface)} ({_pair(report, surface)})." for surface in flat)


def _pair(report: StudyReport, surface: RobustMap) -> str:
    return " and ".join(report.study.factor(name).label for name in (surface.x, surface.y))


def grid_of(report: StudyReport, surface: RobustMap, *, of_hand: bool = False) -> MapGrid:
    """What one map draws."""
    study, x, y = report.study, surface.x, surface.y
    gx, gy = np.meshgrid(surface.x_values, surface.y_values)
    frame = pd.DataFrame({**report.answer.setpoint, x: gx.ravel(), y: gy.ravel()})[list(study.factor_names)]
    return MapGrid(
        Along(study.factor(x), report.shown),
        Along(study.factor(y), report.shown),
        surface.x_values,
        surface.y_values,
        surface.hand if of_hand else surface.pass_rate,
        None if of_hand else surface.p_over - surface.p_under,
        ~is_forbidden(study.forbidden, frame).reshape(gx.shape),
    )


def _map(
    report: StudyReport,
    surface: RobustMap,
    grid: MapGrid,
    levels: list[float],
    target: float | None,
    *,
    name: str,
    title: str,
    told: str,
    caption: str,
) -> Picture:
    """A map with the setpoint, its windows and, of the pass rate, the coupons."""
    study, answer, x, y = report.study, report.answer, surface.x, surface.y
    along = [report.surfaces.results.settings[name].to_numpy(dtype=float) for name in (x, y)]
    svg = draw_map(
        grid,
        levels=levels,
        target=target,
        setpoint=(float(answer.setpoint[x]), float(answer.setpoint[y])),
        windows=tuple(
            None if window is None else {name: span(window, name) for name in (x, y)}
            for window in (answer.window, answer.assured_window)
        ),
        dots=None if grid.over is None else Dots(along[0], along[1], report.marks, report.near(x, y)),
        name=name,
        title=title,
        description=f"{told} Setpoint: {setpoint_line(study, answer, report.shown)}.",
    )
    return Picture(svg, title, caption)


def _levels(target: float, usual: tuple[float, ...]) -> list[float]:
    """Contour levels with the target among them and none so close that labels collide."""
    return sorted({*(v for v in usual if abs(v - target) > 0.03), target})


def _pass_map(report: StudyReport, surface: RobustMap, number: int) -> Picture:
    study, answer = report.study, report.answer
    target, grid = study.spec.pass_rate, grid_of(report, surface)
    both, share = headed(_pair(report, surface)), grid.share_reaching(target)
    if share:
        title = f"{both}: {stated(target)} or better is expected on {percent(share)} of this map"
    else:
        best = percent(float(grid.values[grid.tested].max()))
        title = f"{both}: the best expected here is {best}, wanted is {stated(target)}"
    others = [
        f"{f.label} {amount(f, answer.setpoint[f.name], report.shown)}"
        for f in study.factors
        if f.name not in (surface.x, surface.y)
    ]
    caption = f"At {listing(others)}." if others else ""
    return _map(
        report,
        surface,
        grid,
        _levels(target, (0.5, 0.7, 0.8, 0.9)),
        target,
        name=f"map{number}",
        title=title,
        told=f"Map of the expected share of prints that {wanted(study, answer)}, setting error included. "
        f"{marks_key(report)}",
        caption=caption,
    )


def _hand_title(report: StudyReport, surface: RobustMap) -> str:
    least = report.study.spec.hand_min
    low, high = float(surface.hand.min()), float(surface.hand.max())
    title = f"Hand-feel runs from {score(low)} to {score(high)}"
    if least is not None:
        title += f", {score(least)} or softer on {part_of(float((surface.hand >= least).mean()), 'it')}"
    return title


def _hand_map(report: StudyReport, surface: RobustMap, number: int) -> Picture:
    least = report.study.spec.hand_min
    low, high = float(surface.hand.min()), float(surface.hand.max())
    levels = _levels(least or 3.0, (1.5, 2, 2.5, 3, 3.25, 3.5, 3.75, 4, 4.25, 4.5))
    return _map(
        report,
        surface,
        grid_of(report, surface, of_hand=True),
        [v for v in levels if low < v < high] or [least or 3.0],
        least,
        name=f"hand{number}",
        title=_hand_title(report, surface),
        told="Map of the mean hand-feel, 5 is softest.",
        caption="Prints that transferred; 5 is as soft as the soft reference. Darker is stiffer.",
    )


def strip_pictures(report: StudyReport) -> tuple[Picture, ...]:
    """Every coupon along each factor."""
    return tuple(_strip_picture(report, f) for f in report.study.factors)


def _strip_picture(report: StudyReport, f: Factor) -> Picture:
    title = headed(f"{f.label}: passed {listing(_shares(report, f))}")
    svg = draw_tried(
        Along(f, report.shown),
        list(report.surfaces.results.settings[f.name]),
        report.marks,
        setpoint=report.answer.setpoint[f.name],
        window=_along(report, f),
        name=f"tried-{f.name}",
        title=title,
        description=f"Coupons along {f.label}, passed above, failed below. {marks_key(report)}",
    )
    return Picture(svg, title, "")


def _along(report: StudyReport, f: Factor) -> tuple[float, float] | None:
    """The expected window along one factor; None without one, and for levels."""
    window = report.answer.window
    return None if window is None or f.is_categorical else span(window, f.name)


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
    fitted, plan = report.surfaces.results, report.coupons
    if "press_order" not in plan.columns or not set(fitted.coupon) <= set(plan["coupon"].astype(str)):
        return ()
    hand = report.mean_hand()
    is_hand = int(np.isfinite(hand).sum()) >= 3
    rows = plan.assign(coupon=plan["coupon"].astype(str)).set_index("coupon").loc[list(fitted.coupon)]
    rows = rows.assign(value=hand if is_hand else fitted.passed.astype(float), mark=report.marks)
    rows = rows.sort_values(["round", "press_order"], kind="stable")
    centre = rows.get("role", rows["round"]).astype(str).str.contains("centre").to_numpy()
    values = rows["value"].to_numpy(dtype=float)
    title = _drift_title(values[centre & np.isfinite(values)], is_hand=is_hand)
    svg = draw_order(
        values,
        rows["mark"].to_numpy(dtype=str),
        centre,
        rows["round"].to_numpy(dtype=float),
        is_hand=is_hand,
        name="drift",
        title=title,
        description=f"Results in the order of pressing. {marks_key(report)}",
    )
    caption = "The line joins coupons of the same centre setting. If it climbs or falls, something else than the "
    caption += "settings changed during the day." + (" Coupons without a hand-feel are left out." if is_hand else "")
    return (Picture(svg, title, caption),)


def _drift_title(same: NDArray[np.float64], *, is_hand: bool) -> str:
    """What the results ``same`` of the centre setting, in their order, show."""
    made = f"Centre setting made {count(len(same), 'time')}"
    if len(same) < 2:
        return "Too few repeats of the centre setting to see drift"
    if not is_hand:
        return f"{made}: passed {int(same.sum())}"
    change = abs(float(same[-1] - same[0]))
    step = "no step worth a half point" if change < 0.5 else f"a change of {fixed(change, 1)} points"
    return f"{made}: hand-feel {score(float(same[0]))} first, {score(float(same[-1]))} last, {step}"
