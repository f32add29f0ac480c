"""What a study report draws: maps and curves through the setpoint, the coupons, effects, a hundred prints.

Each function paints one pair of axes from plain arrays; nothing is fitted or rounded here. `drawn` makes a picture.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Literal

import numpy as np
import pandas as pd
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.contour import QuadContourSet
from matplotlib.patches import Rectangle
from matplotlib.path import Path
from matplotlib.ticker import MaxNLocator
from matplotlib.transforms import ScaledTranslation
from numpy.typing import NDArray

from doe.domain.factors import EVERY_LEVEL, Factor
from doe.domain.units import METRIC, Shown
from doe.setpoint.answer import Window
from doe.words.wording import HUNDRED, at_least_of_hundred, out_of_hundred
from reports.drawing.svg import ACCENT, INK, MARKS, PAPER, RULE, SOFT, STRIP, Floats, axis_values, canvas, dress_axis
from reports.drawing.svg import to_svg as svg_of
from reports.views import Picture

Marks = NDArray[np.str_]

_UNTESTED: dict[str, Any] = {"facecolor": "#f1ede3", "hatch": "////", "edgecolor": "#8b867a"}
_WINDOW: dict[str, Any] = {"facecolor": STRIP, "edgecolor": ACCENT, "lw": 1.2, "zorder": 0.5}
_WANTED: dict[str, Any] = {"color": SOFT, "lw": 1.1, "ls": (0, (4, 3))}

# Darker the fewer pass; blue where too little heat is the likelier failure, brown where too much.
# Near the target both are the same grey: which side is likelier hardly matters there.
_UNDER_BANDS = ("#86aedb", "#a9c6e6", "#c8dbf0", "#e6edf5", "#f3f2ee", PAPER)
_OVER_BANDS = ("#e0a173", "#ecbf9c", "#f4d8c1", "#f7ece2", "#f3f2ee", PAPER)
_HAND_BANDS = ("#b9b2a3", "#cbc5b8", "#dcd7cc", "#eae7df", "#f6f4ef", PAPER)


def drawn(
    size: tuple[float, float],
    paint: Callable[[Axes], None],
    *,
    name: str,
    title: str,
    description: str,
    caption: str = "",
) -> Picture:
    """A picture: ``paint`` draws it on axes of a size in inches; ``description`` is for those who see none."""
    with canvas(*size) as (figure, ax):
        paint(ax)
        return Picture(svg_of(figure, name=name, title=title, description=description), title, caption)


@dataclass(frozen=True)
class Along:
    """A factor along an axis: settings in the stored unit become places in the reader's."""

    factor: Factor
    shown: Shown = METRIC

    def __call__(self, settings: Sequence[float] | Floats) -> Floats:
        """Places of settings, shape (settings,)."""
        return axis_values(self.factor, np.asarray(settings, dtype=float), self.shown)

    def at(self, setting: float | str) -> float:
        """Place of one setting."""
        return float(self([float(setting)])[0])

    def ends(self, share: float = 0.07) -> tuple[float, float]:
        """Settings a share of the tested range beyond it."""
        f = self.factor
        if f.scale == "log":
            ratio = (f.high / f.low) ** share
            return f.low / ratio, f.high * ratio
        room = share * (f.high - f.low)
        return f.low - room, f.high + room

    def dress(self, ax: Axes, which: Literal["x", "y"], ends: tuple[float, float], most: int = 5) -> None:
        """Scale, ticks and label of an axis."""
        dress_axis(ax, which, self.factor, ends, shown=self.shown, most=most)

    def shade(self, ax: Axes, ends: tuple[float, float] | None, style: dict[str, Any]) -> None:
        """An upright strip over a range of settings; none where there is no range."""
        if ends is not None:
            ax.axvspan(*self(ends), **style)

    def span(self, window: Window) -> tuple[float, float]:
        """Ends of a window along it."""
        ends = window.bounds.astype(float)
        return float(ends["low"][self.factor.name]), float(ends["high"][self.factor.name])


@dataclass(frozen=True)
class Dots:
    """Coupons on a map: ``x``, ``y`` in stored units, ``mark`` a key of `MARKS`; arrays of equal length.

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


def draw_map(
    ax: Axes,
    grid: MapGrid,
    *,
    levels: Sequence[float],
    target: float | None,
    setpoint: tuple[float, float],
    windows: Iterable[Window | None],
    dots: Dots | None,
) -> None:
    """Map of pass rate or hand-feel through the setpoint.

    Parameters
    ----------
    ax : Axes
    grid : MapGrid
    levels : sequence of float
        Contour lines, rising.
    target : float, optional
        The line drawn bold: what is wanted.
    setpoint : (float, float)
    windows : iterable of Window
        Drawn as boxes: the expected window solid, the assured one dotted.
    dots : Dots, optional
    """
    xs, ys = grid.x(grid.x_values), grid.y(grid.y_values)
    grid.x.dress(ax, "x", grid.x.ends())
    grid.y.dress(ax, "y", grid.y.ends(), most=6)
    _hatch_untested(ax, grid, xs, ys)
    _shade(ax, xs, ys, grid, levels)
    _contours(ax, xs, ys, grid, levels, target)
    spot = grid.x.at(setpoint[0]), grid.y.at(setpoint[1])
    _cloud(ax, grid, setpoint)
    for window in windows:
        if window is not None:
            (x0, x1), (y0, y1) = (along(along.span(window)) for along in (grid.x, grid.y))
            style, label = ("-" if window.kind == "expected" else ":"), f"{window.kind} window"
            ax.add_patch(
                Rectangle((x0, y0), x1 - x0, y1 - y0, fill=False, ec=ACCENT, lw=2.2, ls=style, zorder=7, label=label)
            )
    if dots is not None:
        _dots(ax, grid, dots)
    ax.plot(*spot, marker="o", ms=17, mfc="none", mec=PAPER, mew=4.5, ls="none", zorder=8)
    ax.plot(*spot, marker="o", ms=17, mfc="none", mec=ACCENT, mew=2.4, ls="none", zorder=9)
    ax.plot(*spot, marker="+", ms=10, mec=ACCENT, mew=2.2, ls="none", zorder=9, label="setpoint")
    _legend(ax, 2 if len(ax.get_legend_handles_labels()[1]) < 5 else 3)


def _legend(ax: Axes, columns: int) -> None:
    """Everything that has a label, below the axes."""
    ax.figure.legend(
        *ax.get_legend_handles_labels(),
        loc="outside lower left",
        ncols=columns,
        handletextpad=0.4,
        columnspacing=1.1,
        borderpad=0.2,
    )


def _hatch_untested(ax: Axes, grid: MapGrid, xs: Floats, ys: Floats) -> None:
    """Hatch the rim beyond the tested ranges; the tested part is painted over it."""
    ax.patch.set(**_UNTESTED)
    ax.add_patch(
        Rectangle((xs[0], ys[0]), xs[-1] - xs[0], ys[-1] - ys[0], facecolor=PAPER, edgecolor=SOFT, lw=0.8, zorder=0.5)
    )
    if not grid.tested.all():
        colour, hatch = _UNTESTED["facecolor"], _UNTESTED["hatch"]
        ax.contourf(
            xs, ys, (~grid.tested).astype(float), levels=[0.5, 1.5], colors=[colour], hatches=[hatch], zorder=4.5
        )
    # a patch without width gives the legend its entry
    ax.add_patch(Rectangle((xs[0], ys[0]), 0, 0, label="not tested", **_UNTESTED))


def _shade(ax: Axes, xs: Floats, ys: Floats, grid: MapGrid, levels: Sequence[float]) -> None:
    low, high = min(float(np.nanmin(grid.values)), levels[0]), max(float(np.nanmax(grid.values)), levels[-1])
    bounds = [low - 1, *levels, high + 1]
    pale = len(levels) + 1

    def fill(colours: Sequence[str]) -> QuadContourSet:
        # the palest colours belong to the best bands, however many there are
        bands = [colours[0]] * (pale - len(colours)) + list(colours[-pale:])
        return ax.contourf(xs, ys, grid.values, levels=bounds, colors=bands, zorder=1)

    if grid.over is None:
        fill(_HAND_BANDS)
        return
    if (grid.over <= 0).any():
        fill(_UNDER_BANDS)
    if (grid.over > 0).any():
        over = fill(_OVER_BANDS)
        if (grid.over <= 0).any():
            edge = ax.contourf(xs, ys, grid.over, levels=[0, float(grid.over.max()) + 1], colors="none")
            paths = edge.get_paths()
            edge.remove()
            # one clip for all bands: the seam between the two hues then follows a line, not the grid
            over.set_clip_path(Path.make_compound_path(*paths), ax.transData)


def _contours(ax: Axes, xs: Floats, ys: Floats, grid: MapGrid, levels: Sequence[float], target: float | None) -> None:
    def words(level: float) -> str:
        return f"{level:g}" if grid.over is None else f"{level * 100:g} %"

    crossed = [v for v in levels if np.nanmin(grid.values) < v < np.nanmax(grid.values)]
    if not crossed:
        return
    bold = [target is not None and abs(v - target) < 1e-9 for v in crossed]
    # all levels at once: labels then keep clear of each other
    lines = ax.contour(
        xs,
        ys,
        grid.values,
        levels=crossed,
        colors=[INK if b else SOFT for b in bold],
        linewidths=[2.0 if b else 0.7 for b in bold],
        zorder=4,
    )
    for text in ax.clabel(lines, fmt=words, fontsize=9, inline_spacing=3):
        if target is not None and text.get_text() == words(target):
            text.set_fontweight("bold")


def _cloud(ax: Axes, grid: MapGrid, setpoint: tuple[float, float]) -> None:
    """Where the machine really is, 95 of 100 times, when told the setpoint: two setting errors each way."""
    errors = grid.x.factor.setting_sd, grid.y.factor.setting_sd
    if not any(errors):
        return
    turn = np.linspace(0, 2 * np.pi, 73)
    # sqrt of the 95 % chi-square, 2 df
    x = np.maximum(setpoint[0] + 2.448 * errors[0] * np.cos(turn), 1e-9)
    y = np.maximum(setpoint[1] + 2.448 * errors[1] * np.sin(turn), 1e-9)
    ax.plot(grid.x(x), grid.y(y), color=ACCENT, lw=1.3, ls=(0, (5, 3)), zorder=6, label="setting error, 95 of 100")


def _dots(ax: Axes, grid: MapGrid, dots: Dots) -> None:
    x, y = grid.x(dots.x), grid.y(dots.y)
    dx, dy = _apart(dots.x, dots.y)
    for key, (marker, face, words) in MARKS.items():
        for near, size, edge, alpha in ((True, 7.5, 1.1, 1.0), (False, 5.5, 0.7, 0.55)):
            # offsets are in points, so that coupons made at one setting stand side by side at any scale
            for i in np.flatnonzero((dots.mark == key) & (dots.near == near)):
                shift = ScaledTranslation(dx[i] / 72, dy[i] / 72, ax.figure.dpi_scale_trans)
                ax.plot(
                    x[i],
                    y[i],
                    marker=marker,
                    ms=size,
                    mfc=face,
                    mec=INK,
                    mew=edge,
                    ls="none",
                    alpha=alpha,
                    zorder=5,
                    transform=ax.transData + shift,
                )
        if (dots.mark == key).any():
            ax.plot([], [], marker=marker, ms=7.5, mfc=face, mec=INK, mew=1.1, ls="none", label=words)


def _apart(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Offsets in points that spread coupons of one place in a small spiral."""
    place = pd.DataFrame({"x": x, "y": y}).groupby(["x", "y"])
    k, several = place.cumcount().to_numpy(), place["x"].transform("size").to_numpy() > 1
    radius, turn = several * 5.2 * np.sqrt(k + 0.6), k * 2.39996  # golden angle: no two on one line
    return radius * np.cos(turn), radius * np.sin(turn)


@dataclass(frozen=True)
class Curve:
    """Expected pass rate while one factor moves alone from the setpoint.

    Arrays over ``values`` (stored units): ``middle`` with its band ``low`` to ``high``. ``edges`` are settings where
    the curve has fallen off, each with "under" or "over".
    """

    values: Floats
    middle: Floats
    low: Floats
    high: Floats
    edges: tuple[tuple[float, str], ...]


def draw_profile(
    ax: Axes, x: Along, curve: Curve, *, setpoint: float, target: float, window: tuple[float, float] | None
) -> None:
    """Curve along one factor, with its band, what is wanted (a level line), the window and the cliffs."""
    xs, ends, wanted = x(curve.values), x.ends(), 100 * target
    x.dress(ax, "x", ends)
    ax.set(ylim=(-3.0, 104.0), yticks=[0, 25, 50, 75, 100], ylabel="pass rate, %")
    for beyond in ((ends[0], x.factor.low), (x.factor.high, ends[1])):
        x.shade(ax, beyond, _UNTESTED | {"lw": 0})
    x.shade(ax, window, _WINDOW)
    ax.fill_between(xs, curve.low * 100, curve.high * 100, color="#c9c2b2", alpha=0.6, lw=0, zorder=1)
    ax.plot(xs, curve.middle * 100, color=INK, lw=2.2, zorder=3)
    ax.axhline(wanted, zorder=2, **_WANTED)
    ax.annotate(
        f"wanted {wanted:g}",
        (0.985, wanted),
        xycoords=("axes fraction", "data"),
        xytext=(0, -3),
        textcoords="offset points",
        ha="right",
        va="top",
        fontsize=8.5,
        color=SOFT,
    )
    ax.axvline(x.at(setpoint), color=ACCENT, lw=2, zorder=4)
    for at, side in curve.edges:
        height = float(np.interp(at, curve.values, curve.middle)) * 100
        marker, face, _ = MARKS[side]
        ax.plot(x.at(at), height, marker=marker, ms=10, mfc=face, mec=INK, mew=1.1, zorder=6)


def draw_strip(
    ax: Axes,
    x: Along,
    settings: Sequence[float | str],
    marks: Marks,
    *,
    setpoint: float | str,
    window: tuple[float, float] | None = None,
) -> None:
    """Every coupon along one factor, passed above, failed below, each by its shape.

    Parameters
    ----------
    ax : Axes
    x : Along
    settings : sequence, one a coupon
        Settings in the stored unit, or levels.
    marks : array of str
        Keys of `reports.drawing.svg.MARKS`.
    setpoint : float or str
    window : (float, float), optional
        The expected window along this factor, a shaded strip.
    """
    if x.factor.is_categorical:
        levels = list(x.factor.levels)
        places = np.array([float(levels.index(str(s))) for s in settings])
        spots = [float(i) for i, level in enumerate(levels) if setpoint in (level, EVERY_LEVEL)]
        ax.set(xlim=(-0.5, len(levels) - 0.5), xlabel=x.factor.label)
        ax.set_xticks(range(len(levels)), levels)
    else:
        places, spots = x([float(s) for s in settings]), [x.at(setpoint)]
        x.dress(ax, "x", x.ends(0.06))
        x.shade(ax, window, _WINDOW)
    ax.set_ylim(-0.75, 1.75)
    ax.set_yticks([0, 1], ["failed", "passed"])
    ax.axhline(0.5, color=RULE, lw=0.8)
    for spot in spots:
        ax.axvline(spot, color=ACCENT, lw=2, zorder=1)
    passed = marks == "pass"
    _scatter(ax, places, passed + _stack(places, passed), marks, s=34, linewidth=0.8)


def _scatter(ax: Axes, x: Floats, y: Floats, marks: Marks, **style: Any) -> None:
    """Coupons by their shapes, each kind with its label; those without a height are left out."""
    for key, (marker, face, words) in MARKS.items():
        chosen = (marks == key) & np.isfinite(y)
        if chosen.any():
            ax.scatter(
                x[chosen], y[chosen], marker=marker, facecolor=face, edgecolor=INK, zorder=3, label=words, **style
            )


def _stack(x: Floats, passed: NDArray[np.bool_]) -> Floats:
    """Small heights that keep coupons of one setting and result apart."""
    place = pd.DataFrame({"x": x, "passed": passed}).groupby(["x", "passed"])
    size = place["x"].transform("size").to_numpy()
    up: Floats = (place.cumcount().to_numpy() - (size - 1) / 2) * np.minimum(0.2, 0.85 / size)
    return up


def draw_effects(ax: Axes, bars: pd.DataFrame, axis: str) -> None:
    """Effects with their intervals, filled where one clears zero.

    Parameters
    ----------
    ax : Axes
    bars : DataFrame
        Effects, largest first: ``term``, ``effect``, interval ``low`` to ``high`` (NaN without error).
    axis : str
        What the effects are measured in.
    """
    rows = np.arange(len(bars))[::-1]
    ax.hlines(rows, bars["low"], bars["high"], color=SOFT, lw=2)
    clear = ((bars["low"] > 0) | (bars["high"] < 0)).to_numpy()
    for chosen, face in ((clear, ACCENT), (~clear, PAPER)):
        ax.plot(bars["effect"][chosen], rows[chosen], "o", ms=8, mfc=face, mec=ACCENT, mew=1.6, zorder=3)
    ax.axvline(0, color=INK, lw=1.2)
    ax.set_yticks(rows, list(bars["term"]))
    ax.set(ylim=(-0.7, len(rows) - 0.3), xlabel=axis)
    ax.tick_params(axis="y", length=0)
    ax.margins(x=0.08)


def draw_half_normal(ax: Axes, points: pd.DataFrame, *, margin: float, simultaneous: float, axis: str) -> None:
    """Half-normal plot with Lenth's two margins; effects beyond the first are named.

    Parameters
    ----------
    ax : Axes
    points : DataFrame
        Effects, smallest first: ``term``, ``size`` (absolute), ``quantile`` of the half-normal distribution.
    margin, simultaneous : float
        Beyond the first an effect stands out on its own, beyond the second among so many.
    axis : str
        What the effects are measured in.
    """
    right, top = max(float(points["size"].max()), simultaneous) * 1.25, float(points["quantile"].max()) * 1.15
    out = points[points["size"] > margin]
    for some, face, width, order in ((points, PAPER, 1.5, 3), (out, ACCENT, 1.0, 4)):
        ax.plot(some["size"], some["quantile"], "o", ms=7, mfc=face, mec=ACCENT, mew=width, zorder=order)
    for term, size, quantile in out[["term", "size", "quantile"]].itertuples(index=False):
        to_left = size > 0.55 * right
        ax.annotate(
            term,
            (size, quantile),
            xytext=(-9 if to_left else 9, 0),
            textcoords="offset points",
            ha="right" if to_left else "left",
            va="center",
            fontsize=9,
        )
    for at, words in ((margin, "stands out\nalone"), (simultaneous, "stands out\namong all")):
        ax.axvline(at, **_WANTED)
        ax.annotate(words, (at, top), xytext=(3, -2), textcoords="offset points", va="top", fontsize=8.5, color=SOFT)
    ax.set(xlim=(0, right), ylim=(0, top), xlabel=axis, ylabel="half-normal quantile")


def draw_drift(
    ax: Axes, values: Floats, marks: Marks, centre: NDArray[np.bool_], rounds: Floats, is_hand: bool
) -> None:
    """Results in the order they were pressed; repeats of the centre setting joined by a line.

    Parameters
    ----------
    ax : Axes
    values : array, shape (coupons,)
        Hand-feel (or pass 1 / fail 0).
    marks : array of str
    centre : array of bool
        Coupons of the repeated centre setting.
    rounds : array
        Round of each coupon, for the lines between rounds.
    is_hand : bool
        Whether values are hand-feel scores, or pass and fail.
    """
    order = np.arange(1.0, len(values) + 1)
    same = np.flatnonzero(centre & np.isfinite(values))
    if len(same) > 1:
        ax.plot(order[same], values[same], color=ACCENT, lw=1.8, zorder=2, label="same setting, made again")
    _scatter(ax, order, values, marks, s=40, linewidth=0.9)
    for at in np.flatnonzero(np.diff(rounds)):
        ax.axvline(at + 1.5, color=RULE, lw=1.2)
    ax.set_xlabel("order at the press")
    ax.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=8))
    ax.margins(y=0.14)
    if is_hand:
        ax.set_ylabel("mean hand-feel")
    else:
        ax.set_yticks([0, 1], ["failed", "passed"])
    _legend(ax, 2)


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
        See `reports.drawing.svg.to_svg`.
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
