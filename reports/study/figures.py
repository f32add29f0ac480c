"""What a study report draws: room strips, maps, the coupons, effects, a hundred prints.

Each function draws one figure from plain arrays; nothing is fitted or rounded here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from typing import cast

import numpy as np
import pandas as pd
from contourpy import contour_generator
from markupsafe import Markup
from numpy.typing import NDArray

from doe.domain.factors import EVERY_LEVEL, Factor
from doe.domain.units import Shown
from doe.setpoint.answer import Window
from doe.words.wording import HUNDRED, SIDE_WORDS, at_least_of_hundred, out_of_hundred
from reports.drawing.palette import (
    ACCENT,
    HAND_BANDS,
    INK,
    OVER_BANDS,
    PAPER,
    RULE,
    SOFT,
    UNDER_BANDS,
    Floats,
    bare,
    round_numbers,
)
from reports.drawing.plot import RIM, UNIT, Along, Plot

Marks = NDArray[np.str_]


def span(window: Window, name: str) -> tuple[float, float]:
    """Ends of a window along one factor, in the stored unit."""
    ends = window.bounds.astype(float)
    return float(ends["low"][name]), float(ends["high"][name])


# --- room strips ---

FADES_OVER = 0.4
"""Shortfall of the pass rate at which a strip has faded to nothing."""


@dataclass(frozen=True)
class OnDial:
    """From a setting (stored unit) to what stands on the dial: ``zero`` + ``per`` times the setting."""

    zero: float = 0.0
    per: float = 1.0

    def __call__(self, setting: float) -> float:
        """Dial value in the stored unit."""
        return self.zero + self.per * setting

    def back(self, dial: float) -> float:
        """The setting for a dial value."""
        return (dial - self.zero) / self.per


@dataclass(frozen=True)
class Strip:
    """One setting moved alone, measured in setting errors from the setpoint.

    ``here`` the setpoint, ``error`` one setting error and ``reach`` how many of them the strip shows each way;
    ``values`` (points,) with the expected ``rates``; ``room`` and ``window`` are ends or None; ``cliffs`` are settings
    with "under" or "over". Settings in the stored unit.
    """

    factor: Factor
    here: float
    error: float
    reach: int
    values: Floats
    rates: Floats
    target: float
    room: tuple[float, float] | None
    window: tuple[float, float] | None
    cliffs: tuple[tuple[float, str], ...]
    dialled: OnDial = OnDial()

    def place(self, setting: float) -> float:
        """Share of the strip's length, the setpoint in the middle; clipped to its ends."""
        return float(np.clip(0.5 + (setting - self.here) / (2 * self.reach * self.error), 0, 1))

    def has(self, setting: float) -> bool:
        """Whether the strip reaches a setting."""
        return abs(setting - self.here) <= self.reach * self.error * (1 + 1e-9)


def strength(rates: Floats, target: float) -> Floats:
    """How full a strip is, 1 where the target is expected, fading to 0 below it."""
    return np.asarray(np.clip(1 - (target - rates) / FADES_OVER, 0, 1) ** 1.5)


def draw_room(strip: Strip, shown: Shown, *, name: str, title: str, description: str) -> Markup:
    """The strip: full where the target is expected, fading where it is not, hatched where nothing was tested."""
    f, plot = strip.factor, Plot(name, "room")
    first, last = strip.place(f.low), strip.place(f.high)
    plot.box(0, 1, 0, 1, fill=plot.hatched())
    plot.box(first, last, 0, 1, fill=PAPER)
    shares = [strip.place(v) for v in strip.values]
    inside = [i for i, s in enumerate(shares) if first <= s <= last]
    length = max(last - first, 1e-9)
    stops = "".join(
        f'<stop offset="{(shares[i] - first) / length:.3f}" stop-color="{ACCENT}" stop-opacity="{opacity:.2f}"/>'
        for i, opacity in zip(inside, strength(strip.rates[inside], strip.target), strict=True)
    )
    plot.defined(f'<linearGradient id="{name}-fade">{stops}</linearGradient>')
    plot.box(first, last, 0, 1, fill=f"url(#{name}-fade)")
    plot.box(0, 1, 0, 1, fill="none", stroke=SOFT, stroke_width=1)
    for whole in range(1 - strip.reach, strip.reach):
        at = 0.5 + whole / (2 * strip.reach)
        plot.line([at, at], [0, 0.14], stroke=INK, width=1, opacity="0.55")
    for at, side in strip.cliffs:
        if strip.has(at):
            plot.mark(strip.place(at), 0.5, side)
    zero = shown.value(0.0, f.unit)
    per = shown.value(1.0, f.unit) - zero
    ends = (max(f.low, strip.here - strip.reach * strip.error), min(f.high, strip.here + strip.reach * strip.error))
    first_dial, last_dial = (zero + per * strip.dialled(end) for end in ends)
    # on a phone a strip has room for few of them
    few, many = (round_numbers(first_dial, last_dial, max(2, round(n * (last - first)))) for n in (6, 9))
    for number in many:
        dial = (float(number) - zero) / per
        place = strip.place(strip.dialled.back(dial))
        plot.text(place, 0, bare(f, dial, shown), dy=17, look="" if np.isclose(few, number).any() else "spare")
    if strip.window is not None:
        plot.line([strip.place(v) for v in strip.window], [0, 0], stroke=ACCENT, width=6, class_="window")
    if strip.room is not None:
        caps = (_cap(strip.place(v), way) for v, way in zip(strip.room, (1, -1), strict=True) if strip.has(v))
        plot.path("".join(caps), fill="none", stroke=INK, stroke_width=2.4, class_="caps")
    plot.mark(0.5, 0.5, "setpoint")
    return plot.svg(title=title, description=description)


def _cap(at: float, inward: int) -> str:
    """A bracket at one end of the room, opening inward."""
    x, hook = UNIT * at, UNIT * (at + 0.008 * inward)
    return f"M{hook:.1f} -150L{x:.1f} -150L{x:.1f} 1150L{hook:.1f} 1150"


# --- maps ---


@dataclass(frozen=True)
class Dots:
    """Coupons on a map: ``x``, ``y`` in stored units, ``mark`` a key of `SHAPES`; arrays of equal length.

    ``near`` is True where the coupon's other settings lie near those of the map.
    """

    x: Floats
    y: Floats
    mark: Marks
    near: NDArray[np.bool_]


@dataclass(frozen=True)
class MapGrid:
    """Values over two factors, the others at the setpoint.

    ``x_values`` (nx,) and ``y_values`` (ny,) in stored units; ``values`` (ny, nx) are shares where there is an
    ``over``, else scores; ``over`` (ny, nx) is how much likelier a failure by too much heat is than by too little
    (positive: too much); ``tested`` (ny, nx) is False where no coupon was allowed.
    """

    x: Along
    y: Along
    x_values: Floats
    y_values: Floats
    values: Floats
    over: Floats | None
    tested: NDArray[np.bool_]

    def share_reaching(self, target: float) -> float:
        """Share of the tested part of the map, as drawn, at which the value is ``target`` or more."""
        part = np.outer(_reach_of_points(self.y(self.y_values)), _reach_of_points(self.x(self.x_values)))
        return float(np.average((self.values >= target)[self.tested], weights=part[self.tested]))


def _reach_of_points(places: Floats) -> Floats:
    """How much of an axis each point of a grid stands for: to half way to its neighbours."""
    ends: Floats = np.concatenate([places[:1], (places[1:] + places[:-1]) / 2, places[-1:]])
    return np.diff(ends)


def draw_map(
    grid: MapGrid,
    *,
    levels: Sequence[float],
    target: float | None,
    setpoint: tuple[float, float],
    windows: Iterable[Mapping[str, tuple[float, float]] | None],
    dots: Dots | None,
    beside: Mapping[str, tuple[float, float]] | None = None,
    name: str,
    title: str,
    description: str,
) -> Markup:
    """Map of pass rate or hand-feel through the setpoint.

    Parameters
    ----------
    grid : MapGrid
    levels : sequence of float
        Contour lines, rising.
    target : float, optional
        The line drawn bold: what is wanted.
    setpoint : (float, float)
    windows : iterable of mapping of factor to (float, float), or None
        Thick on the axes: the expected one, and thicker in it the assured one.
    dots : Dots, optional
        Coupons, each at its own place; where several share one, their number stands beside them.
    beside : mapping of words to (float, float), optional
        Other setpoints, each with the words that say whose it is; the words of `setpoint` itself may be among them.
    name, title, description : str
        See `Plot`.
    """
    plot = Plot(name, "map")
    plot.tell(x=grid.x.factor.name, y=grid.y.factor.name)
    plot.box(0, 1, 0, 1, fill=plot.hatched())
    plot.box(RIM, 1 - RIM, RIM, 1 - RIM, fill=PAPER)
    xs, ys = grid.x(grid.x_values), grid.y(grid.y_values)
    _shade(plot, xs, ys, grid, levels)
    taken = [] if dots is None else list(zip(grid.x(dots.x), grid.y(dots.y), strict=True))
    taken += [(x + 0.05, y + 0.02) for x, y in taken]  # where their numbers stand
    spot = grid.x.at(setpoint[0]), grid.y.at(setpoint[1])
    taken.append(spot)
    named = {words: (grid.x.at(at[0]), grid.y.at(at[1])) for words, at in (beside or {}).items()}
    taken += [(x + 0.08, y) for x, y in named.values()]
    _contours(plot, xs, ys, grid, levels, target, taken)
    if not grid.tested.all():
        for d in _regions(xs, ys, (~grid.tested).astype(float), 0.5, 1.5):
            plot.path(d, fill=plot.hatched(), fill_rule="evenodd")
    plot.frame()
    plot.along_x(grid.x.ticks(), grid.x.title)
    plot.along_y(grid.y.ticks(), grid.y.title)
    for window, width in zip(windows, (6, 11), strict=False):
        if window is not None:
            x, y = grid.x(window[grid.x.factor.name]), grid.y(window[grid.y.factor.name])
            plot.line(x, [0, 0], stroke=ACCENT, width=width, class_="window")
            plot.line([0, 0], y, stroke=ACCENT, width=width, class_="window")
    if dots is not None:
        _dots(plot, grid, dots)
    if grid.over is not None:
        _sides(plot, xs, ys, grid, target, taken)
    _named(plot, named)
    plot.mark(*spot, "setpoint")
    plot.mark(*spot, "try", look=' class="tried" visibility="hidden"')
    return plot.svg(title=title, description=description)


def _regions(xs: Floats, ys: Floats, values: Floats, low: float, high: float) -> list[str]:
    """Paths of where values lie between two levels, holes left out."""
    found = contour_generator(xs, ys, values, fill_type="OuterOffset").filled(low, high)
    polygons, offsets = cast("tuple[list[Floats], list[NDArray[np.uint32]]]", found)  # what this fill type gives
    paths = []
    for points, breaks in zip(polygons, offsets, strict=True):
        rings = (points[a:b] for a, b in pairwise(breaks))
        paths.append("".join(_route(ring) + "Z" for ring in rings))
    return paths


def _route(points: Floats) -> str:
    """Path through points of shape (points, 2), shares."""
    return "M" + "L".join(f"{UNIT * x:.0f} {UNIT * (1 - y):.0f}" for x, y in points)


def _shade(plot: Plot, xs: Floats, ys: Floats, grid: MapGrid, levels: Sequence[float]) -> None:
    bounds = [
        min(float(np.nanmin(grid.values)), levels[0]) - 1,
        *levels,
        max(float(np.nanmax(grid.values)), levels[-1]) + 1,
    ]
    pale = len(levels) + 1

    def fill(colours: Sequence[str], **look: str) -> None:
        # the palest colours belong to the best bands, however many there are
        bands = [colours[0]] * (pale - len(colours)) + list(colours[-pale:])
        for low, high, colour in zip(bounds[:-1], bounds[1:], bands, strict=True):
            for d in _regions(xs, ys, grid.values, low, high):
                plot.path(d, fill=colour, fill_rule="evenodd", **look)

    if grid.over is None:
        fill(HAND_BANDS)
        return
    fill(UNDER_BANDS)
    if (grid.over > 0).any():
        # one clip for all bands: the seam between the two hues then follows a line, not the grid
        clip = "".join(_regions(xs, ys, grid.over, 0, float(grid.over.max()) + 1))
        plot.defined(f'<clipPath id="{plot.name}-over"><path d="{clip}" clip-rule="evenodd"/></clipPath>')
        fill(OVER_BANDS, clip_path=f"url(#{plot.name}-over)")


def _contours(
    plot: Plot,
    xs: Floats,
    ys: Floats,
    grid: MapGrid,
    levels: Sequence[float],
    target: float | None,
    taken: list[tuple[float, float]],
) -> None:
    """Lines with their values, each label where it has most room beside what is ``taken``."""
    lines = contour_generator(xs, ys, grid.values)
    for level in levels:
        routes = cast("list[Floats]", lines.lines(level))  # separate lines, as is usual
        is_target = target is not None and abs(level - target) < 1e-9
        for points in routes:
            plot.path(
                _route(points), fill="none", stroke=INK if is_target else SOFT, stroke_width=2.2 if is_target else 0.8
            )
        places = np.concatenate(routes) if routes else np.empty((0, 2))
        within = places[(np.abs(places - 0.5) < 0.38).all(axis=1)]
        if len(within):
            gaps = np.linalg.norm(within[:, None] - np.array(taken)[None], axis=-1).min(axis=1)
            x, y = within[int(gaps.argmax())]
            if gaps.max() > 0.07:
                words = f"{level:g}" if grid.over is None else f"{level * 100:g} %"
                plot.text(float(x), float(y), words, look="halo strong" if is_target else "halo")
                taken.append((float(x), float(y)))


def _dots(plot: Plot, grid: MapGrid, dots: Dots) -> None:
    """Coupons at their place: passed ones below, so that a failed one in the same place is seen in its circle."""
    frame = pd.DataFrame({"x": grid.x(dots.x), "y": grid.y(dots.y), "mark": dots.mark, "near": dots.near})
    ordered = frame.sort_values(["near", "mark"], key=lambda c: c if c.name == "near" else c != "pass", kind="stable")
    for x, y, mark, near in ordered.drop_duplicates(["x", "y", "mark", "near"]).itertuples(index=False):
        failed_inside = mark != "pass" and ((frame.x == x) & (frame.y == y) & (frame.mark == "pass")).any()
        size = (1.0 if near else 0.75) * (0.6 if failed_inside else 1.0) * (1.15 if mark == "pass" else 1.0)
        plot.mark(float(x), float(y), str(mark), size=size, look="" if near else ' opacity="0.6"')
    for x, y, number in frame.groupby(["x", "y"], as_index=False).size().itertuples(index=False):
        if number > 1:
            plot.text(float(x), float(y), f"{number}", dx=9, dy=-5, anchor="start", look="halo small")


def _named(plot: Plot, named: Mapping[str, tuple[float, float]]) -> None:
    """Setpoints with their words beside them, towards the middle; words that would meet stand under each other."""
    told: list[tuple[float, float]] = []
    for words, (x, y) in named.items():
        plot.mark(x, y, "setpoint")
        near = sum(abs(x - a) < 0.3 and abs(y - b) < 0.05 for a, b in told)
        away, anchor = (-16, "end") if x > 0.6 else (16, "start")
        plot.text(x, y, words, dx=away, dy=4 + 14 * near, anchor=anchor, look="halo strong")
        told.append((x, y))


def _sides(
    plot: Plot, xs: Floats, ys: Floats, grid: MapGrid, target: float | None, taken: list[tuple[float, float]]
) -> None:
    """The words "too little heat" and "too much heat" where most fail that way and least is in their way."""
    assert grid.over is not None
    wanted = 1.0 if target is None else target
    across, up = np.meshgrid(xs, ys)
    room = (across > 0.2) & (across < 0.8) & (up > 0.08) & (up < 0.92)
    for side, is_side in (("under", grid.over < 0), ("over", grid.over > 0)):
        short = np.where(is_side & room, wanted - grid.values, 0)
        if short.max() < 0.05:
            continue
        # words are wide: a thing level with them is in the way from farther off than one above
        apart = np.min([np.hypot((across - x) / 4, up - y) for x, y in taken], axis=0)
        row, column = np.unravel_index(int((short * np.minimum(apart, 0.08) ** 2).argmax()), short.shape)
        x, y = float(xs[column]), float(ys[row])
        plot.text(x, y, SIDE_WORDS[side], look=f"halo side {side}")
        taken.append((x, y))


# --- coupons, effects, order ---


def draw_tried(
    x: Along,
    settings: Sequence[float | str],
    marks: Marks,
    *,
    setpoint: float | str,
    window: tuple[float, float] | None = None,
    name: str,
    title: str,
    description: str,
) -> Markup:
    """Every coupon along one factor, passed above, failed below, each by its shape.

    Parameters
    ----------
    x : Along
    settings : sequence, one a coupon
        Settings in the stored unit, or levels.
    marks : array of str
        Keys of `reports.drawing.plot.SHAPES`.
    setpoint : float or str
    window : (float, float), optional
        The expected window along this factor, thick on the axis.
    name, title, description : str
        See `Plot`.
    """
    plot, f = Plot(name, "tried"), x.factor
    if f.is_categorical:
        levels = list(f.levels)
        spread = {level: (i + 0.5) / len(levels) for i, level in enumerate(levels)}
        places = np.array([spread[str(s)] for s in settings])
        spots = [spread[level] for level in levels if setpoint in (level, EVERY_LEVEL)]
        plot.along_x([(spread[level], (level,)) for level in levels], f.label)
    else:
        places, spots = x([float(s) for s in settings]), [x.at(setpoint)]
        plot.along_x(x.ticks(), x.title)
    plot.frame()
    plot.line([0, 1], [0.5, 0.5], stroke=RULE, width=1)
    plot.along_y([(0.25, ("failed",)), (0.75, ("passed",))])
    if window is not None:
        plot.line(x(window), [0, 0], stroke=ACCENT, width=6, class_="window")
    passed = marks == "pass"
    for place, high, mark in zip(places, 0.25 + 0.5 * passed + _stack(places, passed), marks, strict=True):
        plot.mark(float(place), float(high), str(mark))
    for spot in spots:
        plot.mark(spot, 0, "setpoint", size=0.8)
    return plot.svg(title=title, description=description)


def _stack(x: Floats, passed: NDArray[np.bool_]) -> Floats:
    """Small heights that keep coupons of one setting and result apart."""
    place = pd.DataFrame({"x": x, "passed": passed}).groupby(["x", "passed"])
    size = place["x"].transform("size").to_numpy()
    up: Floats = (place.cumcount().to_numpy() - (size - 1) / 2) * np.minimum(0.1, 0.42 / size)
    return up


def draw_effects(
    bars: pd.DataFrame, axis: str, *, reach: float = 0.0, name: str, title: str, description: str
) -> Markup:
    """Effects with their intervals, filled where one clears zero.

    Parameters
    ----------
    bars : DataFrame
        Effects, largest first: ``term``, ``effect``, interval ``low`` to ``high`` (NaN without error).
    axis : str
        What the effects are measured in.
    reach : float
        What the axis shows at least to both sides, so that nothing small looks large.
    name, title, description : str
        See `Plot`.
    """
    plot = Plot(name, "effects", height=34 * len(bars))
    ends = bars[["effect", "low", "high"]].to_numpy(dtype=float)
    ticks = round_numbers(min(float(np.nanmin(ends)), -reach), max(float(np.nanmax(ends)), reach), 5)
    low, high = min(np.nanmin(ends), ticks[0]), max(np.nanmax(ends), ticks[-1])
    pad = 0.05 * (high - low)

    def at(value: float) -> float:
        return float((value - low + pad) / (high - low + 2 * pad))

    plot.along_x([(at(t), (f"{t:g}",)) for t in ticks], axis)
    plot.line([0, 1], [0, 0], stroke=SOFT, width=1)
    plot.line([at(0), at(0)], [0, 1], width=1.2)
    for i, (term, effect, least, most) in enumerate(bars[["term", "effect", "low", "high"]].itertuples(index=False)):
        height = 1 - (i + 0.62) / len(bars)
        plot.text(0, height, str(term), dy=-9, anchor="start", look="halo")
        if np.isfinite(least) and np.isfinite(most):
            plot.line([at(least), at(most)], [height, height], stroke=SOFT, width=2)
        plot.mark(at(effect), height, "full" if least > 0 or most < 0 else "open")
    return plot.svg(title=title, description=description)


def draw_half_normal(
    points: pd.DataFrame, *, margin: float, simultaneous: float, axis: str, name: str, title: str, description: str
) -> Markup:
    """Half-normal plot with Lenth's two margins; effects beyond the first are named.

    Parameters
    ----------
    points : DataFrame
        Effects, smallest first: ``term``, ``size`` (absolute), ``quantile`` of the half-normal distribution.
    margin, simultaneous : float
        Beyond the first an effect stands out on its own, beyond the second among so many.
    axis : str
        What the effects are measured in.
    name, title, description : str
        See `Plot`.
    """
    plot = Plot(name, "order")
    right = max(float(points["size"].max()), simultaneous) * 1.25 or 1.0  # every effect may be exactly zero
    top = float(points["quantile"].max()) * 1.15
    plot.along_x([(t / right, (f"{t:g}",)) for t in round_numbers(0, right)], axis)
    plot.along_y([(t / top, (f"{t:g}",)) for t in round_numbers(0, top, 4)], "half-normal quantile")
    plot.frame()
    plot.level(margin / right, "stands out alone", upright=True)
    plot.level(simultaneous / right, "among all", upright=True)
    for term, size, quantile in points[["term", "size", "quantile"]].itertuples(index=False):
        out = size > margin
        plot.mark(size / right, quantile / top, "full" if out else "open")
        if out:
            to_left = size > 0.55 * right
            anchor, dx = ("end", -9) if to_left else ("start", 9)
            plot.text(size / right, quantile / top, str(term), dx=dx, anchor=anchor, look="halo")
    return plot.svg(title=title, description=description)


def draw_order(
    values: Floats,
    marks: Marks,
    centre: NDArray[np.bool_],
    rounds: Floats,
    *,
    is_hand: bool,
    name: str,
    title: str,
    description: str,
) -> Markup:
    """Results in the order they were pressed; repeats of the centre setting joined by a line.

    Parameters
    ----------
    values : array, shape (coupons,)
        Hand-feel (or pass 1 / fail 0).
    marks : array of str
    centre : array of bool
        Coupons of the repeated centre setting.
    rounds : array
        Round of each coupon, for the lines between rounds.
    is_hand : bool
        Whether values are hand-feel scores, or pass and fail.
    name, title, description : str
        See `Plot`.
    """
    plot, n = Plot(name, "order"), len(values)
    known = values[np.isfinite(values)]
    low, high = (float(known.min()) - 0.25, float(known.max()) + 0.25) if is_hand else (-0.3, 1.3)

    def place(i: float) -> float:
        return (i + 0.5) / n

    heights = (values - low) / (high - low)
    plot.frame()
    plot.along_x([(place(t - 1), (f"{t:g}",)) for t in round_numbers(1, n, 6)], "order at the press")
    if is_hand:
        ticks = round_numbers(low, high, 4)
        plot.along_y([((t - low) / (high - low), (f"{t:g}",)) for t in ticks], "mean hand-feel")
    else:
        plot.along_y([((t - low) / (high - low), (words,)) for t, words in ((0, "failed"), (1, "passed"))])
    for at in np.flatnonzero(np.diff(rounds)):
        plot.rule(place(at + 0.5))
    same = np.flatnonzero(centre & np.isfinite(values))
    if len(same) > 1:
        plot.line([place(float(i)) for i in same], heights[same], stroke=ACCENT, width=1.8)
    for i in np.flatnonzero(np.isfinite(values)):
        plot.mark(place(float(i)), float(heights[i]), str(marks[i]))
    return plot.svg(title=title, description=description)


_STEP, _PER_ROW = 20, 20
# A plain tee, drawn in a 16 x 16 box.
_PRINT = "M5 1 1 3.4 2.6 6.6 4 5.9V15h8V5.9l1.4.7L15 3.4 11 1C10.4 2.5 9.4 3.2 8 3.2S5.6 2.5 5 1Z"


def draw_prints(expected: float, at_least: float, *, name: str, title: str, description: str) -> Markup:
    """Hundred small prints: filled pass even by the lower bound, outlined are expected to pass, crossed to fail.

    Parameters
    ----------
    expected, at_least : float
        Expected pass rate and its lower bound, 0 to 1.
    name, title, description : str
        See `Plot`.
    """
    passing = out_of_hundred(expected)
    sure = min(at_least_of_hundred(at_least), passing)
    shapes = []
    for i in range(HUNDRED):
        x, y = (i % _PER_ROW) * _STEP + 2, (i // _PER_ROW) * _STEP + 2
        kind = "sure" if i < sure else "likely" if i < passing else "lost"
        shapes.append(f'<use href="#{name}-{kind}" x="{x}" y="{y}"/>')
    width, height = _PER_ROW * _STEP, HUNDRED // _PER_ROW * _STEP
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
        f'aria-labelledby="{name}-title {name}-desc"><title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-desc">{escape(description)}</desc><defs>'
        f'<path id="{name}-sure" d="{_PRINT}" fill="{ACCENT}" stroke="{ACCENT}"/>'
        f'<path id="{name}-likely" d="{_PRINT}" fill="{PAPER}" stroke="{ACCENT}" stroke-width="1.3"/>'
        f'<g id="{name}-lost"><path d="{_PRINT}" fill="none" stroke="{INK}" stroke-width=".8" '
        f'stroke-dasharray="1.6 1.4"/><path d="M4 4l8 9M12 4l-8 9" '
        f'stroke="{INK}" stroke-width="1.6"/></g></defs>{"".join(shapes)}</svg>'
    )
