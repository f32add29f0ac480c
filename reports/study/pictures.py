"""The pictures of a study report, each with a title that says what it shows."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.domain.factors import Factor
from doe.domain.masks import is_forbidden
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
    stated,
)
from reports.study.figures import (
    Along,
    Curve,
    Dots,
    MapGrid,
    draw_drift,
    draw_map,
    draw_prints,
    draw_profile,
    draw_strip,
    drawn,
)
from reports.study.inputs import StudyReport
from reports.study.proof import headed
from reports.views import Picture

_MAP_POINTS = 31  # each way; contours are as smooth as with more, in half the time
MARKS_KEY = (
    "Open circle: passed. Triangle down: too little heat. Triangle up: too much heat. Square: not heat. "
    "Cross: side unknown."
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
        f"Filled: pass even by the lower bound ({stated(report.study.spec.assurance)} assurance). Outlined: expected "
        "to pass. Crossed: expected to fail.",
    )


def map_pictures(report: StudyReport, profiles: dict[str, Profile]) -> tuple[Picture, ...]:
    """Pass-rate map of each pair, and the hand-feel map beside it when hand-feel was scored."""
    pictures = []
    for number, (x, y) in enumerate(pairs_of(profiles), start=1):
        surface = robust_map(report.study, report.surfaces, report.answer, x, y, n=_MAP_POINTS)
        pictures.append(_pass_map(report, surface, number))
        if report.answer.hand is not None:
            pictures.append(_hand_map(report, surface, number))
    return tuple(pictures)


def _map(
    report: StudyReport,
    surface: RobustMap,
    levels: list[float],
    target: float | None,
    *,
    of_hand: bool,
    name: str,
    title: str,
    told: str,
    caption: str,
) -> Picture:
    """A map with the setpoint, its windows and, of the pass rate, the coupons."""
    study, answer, x, y = report.study, report.answer, surface.x, surface.y
    gx, gy = np.meshgrid(surface.x_values, surface.y_values)
    frame = pd.DataFrame({**answer.setpoint, x: gx.ravel(), y: gy.ravel()})[list(study.factor_names)]
    grid = MapGrid(
        Along(study.factor(x), report.shown),
        Along(study.factor(y), report.shown),
        surface.x_values,
        surface.y_values,
        surface.hand if of_hand else surface.pass_rate,
        None if of_hand else surface.p_over - surface.p_under,
        ~is_forbidden(study.forbidden, frame).reshape(gx.shape),
    )
    along = [report.surfaces.results.settings[name].to_numpy(dtype=float) for name in (x, y)]
    return drawn(
        (5.4, 5.3),
        lambda ax: draw_map(
            ax,
            grid,
            levels=levels,
            target=target,
            setpoint=(float(answer.setpoint[x]), float(answer.setpoint[y])),
            windows=(answer.window, answer.assured_window),
            dots=None if of_hand else Dots(along[0], along[1], report.marks, report.near(x, y)),
        ),
        name=name,
        title=title,
        description=f"{told} Setpoint: {setpoint_line(study, answer, report.shown)}.",
        caption=caption,
    )


def _levels(target: float, usual: tuple[float, ...]) -> list[float]:
    """Contour levels with the target among them and none so close that labels collide."""
    return sorted({*(v for v in usual if abs(v - target) > 0.03), target})


def _pass_map(report: StudyReport, surface: RobustMap, number: int) -> Picture:
    study, answer = report.study, report.answer
    pair = study.factor(surface.x), study.factor(surface.y)
    target = study.spec.pass_rate
    share = float((surface.pass_rate >= target).mean())
    both = headed(" and ".join(f.label for f in pair))
    if answer.window is not None:
        along = [f"{f.label} {range_both(f, *Along(f).span(answer.window), report.shown)}" for f in pair]
        title = f"{percent(target)} is expected with {' and '.join(along)}"
    elif share > 0:
        why = "but in no box" if answer.pass_rate < target else "but not every setting was varied"
        title = f"{both}: {percent(target)} is expected in {percent(share)} of this plane, {why}"
    else:
        title = (
            f"{both}: the best expected here is {percent(float(surface.pass_rate.max()))}, wanted is {percent(target)}"
        )
    others = [f"{f.label} {amount(f, answer.setpoint[f.name], report.shown)}" for f in study.factors if f not in pair]
    return _map(
        report,
        surface,
        _levels(target, (0.5, 0.7, 0.8, 0.9)),
        target,
        of_hand=False,
        name=f"map{number}",
        title=title,
        told="Map of the expected pass rate, setting error included.",
        caption=f"Expected share of prints that {wanted(study, answer)}, setting error included. Blue side: too little "
        "heat. Brown side: too much. Hatched: not tested."
        + (
            f" Other settings as in the setpoint ({listing(others)}); coupons far from them are small and pale."
            if others
            else ""
        ),
    )


def _hand_map(report: StudyReport, surface: RobustMap, number: int) -> Picture:
    least = report.study.spec.hand_min
    low, high = float(surface.hand.min()), float(surface.hand.max())
    title = f"Hand-feel runs from {score(low)} to {score(high)} in this plane"
    if least is not None:
        title += f"; {score(least)} or more on {part_of(float((surface.hand >= least).mean()), 'it')}"
    levels = _levels(least or 3.0, (1.5, 2, 2.5, 3, 3.25, 3.5, 3.75, 4, 4.25, 4.5))
    return _map(
        report,
        surface,
        [v for v in levels if low < v < high] or [least or 3.0],
        least,
        of_hand=True,
        name=f"hand{number}",
        title=title,
        told="Map of the mean hand-feel, 5 is softest.",
        caption="Mean hand-feel of prints that transferred, 5 as soft as the soft reference. Darker is stiffer.",
    )


def profile_pictures(report: StudyReport, profiles: dict[str, Profile]) -> tuple[Picture, ...]:
    """What could break it: each numeric factor moved alone from the setpoint."""
    return tuple(_profile_picture(report, report.study.factor(name), curve) for name, curve in profiles.items())


def _profile_picture(report: StudyReport, f: Factor, found: Profile) -> Picture:
    study, answer = report.study, report.answer
    cliffs = sorted((c for c in answer.cliffs if c.factor == f.name), key=lambda c: c.distance)
    edges = tuple((c.at, c.side) for c in cliffs)
    curve = Curve(found.values, found.pass_rate, found.pass_low, found.pass_high, edges)
    at = float(answer.setpoint[f.name])
    if cliffs:
        title = cliff_sentence(study, cliffs[0], report.shown).split(". That")[0]
    else:
        ways, drop = f"{move(f, 'lower')} or {move(f, 'higher')}", 100 * float(np.ptp(found.pass_rate))
        title = headed(f"{f.label}: {ways} inside its range costs at most {drop:.0f} points")
    return drawn(
        (4.1, 2.9),
        lambda ax: draw_profile(
            ax,
            Along(f, report.shown),
            curve,
            setpoint=at,
            target=study.spec.pass_rate,
            window=_along(report, f),
        ),
        name=f"profile-{f.name}",
        title=title,
        description=f"Expected pass rate while {f.label} moves alone from the setpoint "
        f"{amount(f, at, report.shown)}, with its band.",
    )


def strip_pictures(report: StudyReport) -> tuple[Picture, ...]:
    """Every coupon along each factor."""
    return tuple(_strip_picture(report, f) for f in report.study.factors)


def _strip_picture(report: StudyReport, f: Factor) -> Picture:
    settings = list(report.surfaces.results.settings[f.name])
    return drawn(
        (4.1, 1.75),
        lambda ax: draw_strip(
            ax,
            Along(f, report.shown),
            settings,
            report.marks,
            setpoint=report.answer.setpoint[f.name],
            window=_along(report, f),
        ),
        name=f"strip-{f.name}",
        title=headed(f"{f.label}: passed {listing(_shares(report, f))}"),
        description=f"Coupons along {f.label}, passed above, failed below. {MARKS_KEY}",
    )


def _along(report: StudyReport, f: Factor) -> tuple[float, float] | None:
    """The expected window along one factor; None without one, and for levels."""
    window = report.answer.window
    return None if window is None or f.is_categorical else Along(f).span(window)


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
    return (
        drawn(
            (5.2, 2.7),
            lambda ax: draw_drift(
                ax, values, rows["mark"].to_numpy(dtype=str), centre, rows["round"].to_numpy(dtype=float), is_hand
            ),
            name="drift",
            title=_drift_title(values[centre & np.isfinite(values)], is_hand=is_hand),
            description=f"Results in the order of pressing. {MARKS_KEY}",
            caption="The line joins coupons of the same centre setting. If it climbs or falls, something else than the "
            "settings changed during the day." + (" Coupons without a hand-feel are left out." if is_hand else ""),
        ),
    )


def _drift_title(same: NDArray[np.float64], *, is_hand: bool) -> str:
    """What the results ``same`` of the centre setting, in their order, show."""
    made = f"Centre setting made {count(len(same), 'time')}"
    if len(same) < 2:
        return "Too few repeats of the centre setting to see drift"
    if not is_hand:
        return f"{made}: passed {int(same.sum())}"
    change = abs(float(same[-1] - same[0]))
    step = "no step worth a half point" if change < 0.5 else f"a change of {change:.1f} points"
    return f"{made}: hand-feel {score(float(same[0]))} first, {score(float(same[-1]))} last, {step}"
