"""Pictures of the surfaces: maps through the setpoint and one-factor profiles.

Each function takes plain arrays and gives an inline SVG; nothing is fitted or rounded here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.contour import QuadContourSet
from matplotlib.patches import Rectangle
from matplotlib.path import Path
from matplotlib.transforms import ScaledTranslation
from numpy.typing import NDArray

from doe.domain.factors import Factor
from doe.domain.units import METRIC, Shown
from reports.drawing.svg import (
    ACCENT,
    INK,
    MARKS,
    PAPER,
    SOFT,
    STRIP,
    Floats,
    axis_values,
    canvas,
    dress_axis,
    to_svg,
)

MARGIN = 0.07
"""Share of the tested range drawn beyond it, hatched: nothing was tested there."""

# Darker the fewer pass; blue where too little heat is the likelier failure, brown where too much.
# Near the target both are the same grey: which side is likelier hardly matters there.
_UNDER_BANDS = ("#86aedb", "#a9c6e6", "#c8dbf0", "#e6edf5", "#f3f2ee", PAPER)
_OVER_BANDS = ("#e0a173", "#ecbf9c", "#f4d8c1", "#f7ece2", "#f3f2ee", PAPER)
_HAND_BANDS = ("#b9b2a3", "#cbc5b8", "#dcd7cc", "#eae7df", "#f6f4ef", PAPER)


@dataclass(frozen=True)
class Box:
    """A window in the plane of a map or along one factor, in stored units."""

    x: tuple[float, float]
    y: tuple[float, float]


@dataclass(frozen=True)
class Dots:
    """Coupons on a figure: ``x``, ``y`` in stored units, ``mark`` a key of `MARKS`; arrays of equal length.

    ``near`` is True where the coupon's other settings lie near those of the figure.
    """

    x: Floats
    y: Floats
    mark: NDArray[np.str_]
    near: NDArray[np.bool_]


@dataclass(frozen=True)
class MapGrid:
    """Values over two factors, the others at the setpoint.

    ``x_values`` (nx,) and ``y_values`` (ny,) in stored units; ``values`` (ny, nx); ``over`` (ny, nx) is how much
    likelier a failure by too much heat is than by too little (positive: too much), None where it has no sides;
    ``tested`` (ny, nx) is False where no coupon was allowed.
    """

    x: Factor
    y: Factor
    x_values: Floats
    y_values: Floats
    values: Floats
    over: Floats | None
    tested: NDArray[np.bool_]


def draw_map(
    grid: MapGrid,
    *,
    name: str,
    title: str,
    description: str,
    levels: Sequence[float],
    target: float | None,
    as_percent: bool,
    setpoint: tuple[float, float],
    window: Box | None = None,
    assured: Box | None = None,
    dots: Dots | None = None,
    shown: Shown = METRIC,
) -> Markup:
    """Map of pass rate or hand-feel through the setpoint.

    Parameters
    ----------
    grid : MapGrid
    name, title, description : str
        See `reports.drawing.svg.to_svg`.
    levels : sequence of float
        Contour lines, rising.
    target : float, optional
        The line drawn bold: what is wanted.
    as_percent : bool
        Whether values are shares (drawn in percent) or scores.
    setpoint : (float, float)
    window, assured : Box, optional
        Expected window (solid) and assured window (dotted).
    dots : Dots, optional
    shown : Shown, optional
    """
    x_range, y_range = _widened(grid.x), _widened(grid.y)
    with canvas(5.4, 5.3) as (figure, ax):
        xs, ys = axis_values(grid.x, grid.x_values, shown), axis_values(grid.y, grid.y_values, shown)
        dress_axis(ax, "x", grid.x, x_range, shown=shown)
        dress_axis(ax, "y", grid.y, y_range, shown=shown, most=6)
        _hatch_untested(ax, grid, xs, ys, shown)
        _shade(ax, xs, ys, grid, levels)
        _contours(ax, xs, ys, grid.values, levels=levels, target=target, as_percent=as_percent)
        spot = _point(grid, setpoint, shown)
        _cloud(ax, grid, setpoint, shown)
        for box, style, label in ((window, "-", "expected window"), (assured, ":", "assured window")):
            if box is not None:
                _box(ax, grid, box, style=style, label=label, shown=shown)
        if dots is not None:
            _dots(ax, grid, dots, shown)
        ax.plot(*spot, marker="o", ms=17, mfc="none", mec=PAPER, mew=4.5, ls="none", zorder=8)
        ax.plot(*spot, marker="o", ms=17, mfc="none", mec=ACCENT, mew=2.4, ls="none", zorder=9)
        ax.plot(*spot, marker="+", ms=10, mec=ACCENT, mew=2.2, ls="none", zorder=9, label="setpoint")
        handles, labels = ax.get_legend_handles_labels()
        figure.legend(
            handles,
            labels,
            loc="outside lower left",
            ncols=2 if len(labels) < 5 else 3,
            handletextpad=0.4,
            columnspacing=1.1,
            borderpad=0.2,
        )
        return to_svg(figure, name=name, title=title, description=description)


def _widened(factor: Factor) -> tuple[float, float]:
    if factor.scale == "log":
        ratio = (factor.high / factor.low) ** MARGIN
        return factor.low / ratio, factor.high * ratio
    room = MARGIN * (factor.high - factor.low)
    return factor.low - room, factor.high + room


def _point(grid: MapGrid, at: tuple[float, float], shown: Shown) -> tuple[float, float]:
    return (
        float(axis_values(grid.x, np.array([at[0]]), shown)[0]),
        float(axis_values(grid.y, np.array([at[1]]), shown)[0]),
    )


def _hatch_untested(ax: Axes, grid: MapGrid, xs: Floats, ys: Floats, shown: Shown) -> None:
    """Hatch the rim beyond the tested ranges; the tested part is painted over it."""
    ax.patch.set(facecolor="#f1ede3", hatch="////", edgecolor="#8b867a")
    ax.add_patch(
        Rectangle((xs[0], ys[0]), xs[-1] - xs[0], ys[-1] - ys[0], facecolor=PAPER, edgecolor=SOFT, lw=0.8, zorder=0.5)
    )
    if not grid.tested.all():
        ax.contourf(
            xs, ys, (~grid.tested).astype(float), levels=[0.5, 1.5], colors=["#f1ede3"], hatches=["////"], zorder=4.5
        )
    # a patch without width gives the legend its entry
    ax.add_patch(
        Rectangle((xs[0], ys[0]), 0, 0, facecolor="#f1ede3", hatch="////", edgecolor="#8b867a", label="not tested")
    )


def _shade(ax: Axes, xs: Floats, ys: Floats, grid: MapGrid, levels: Sequence[float]) -> None:
    bounds = [-np.inf, *levels, np.inf]
    pale = len(bounds) - 1

    def bands(colours: Sequence[str]) -> list[str]:
        # the palest colours belong to the best bands, however many there are
        return list(colours[-pale:]) if pale <= len(colours) else [colours[0]] * (pale - len(colours)) + list(colours)

    def fill(colours: Sequence[str]) -> QuadContourSet:
        return ax.contourf(xs, ys, grid.values, levels=_finite(bounds, grid.values), colors=bands(colours), zorder=1)

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


def _finite(bounds: Sequence[float], values: Floats) -> list[float]:
    low, high = min(float(np.nanmin(values)), bounds[1]) - 1, max(float(np.nanmax(values)), bounds[-2]) + 1
    return [low, *bounds[1:-1], high]


def _contours(
    ax: Axes,
    xs: Floats,
    ys: Floats,
    values: Floats,
    *,
    levels: Sequence[float],
    target: float | None,
    as_percent: bool,
) -> None:
    def words(level: float) -> str:
        return f"{level * 100:g} %" if as_percent else f"{level:g}"

    crossed = [v for v in levels if np.nanmin(values) < v < np.nanmax(values)]
    if not crossed:
        return
    bold = [target is not None and abs(v - target) < 1e-9 for v in crossed]
    # all levels at once: labels then keep clear of each other
    drawn = ax.contour(
        xs,
        ys,
        values,
        levels=crossed,
        colors=[INK if b else SOFT for b in bold],
        linewidths=[2.0 if b else 0.7 for b in bold],
        zorder=4,
    )
    for text in ax.clabel(drawn, fmt=words, fontsize=9, inline_spacing=3):
        if target is not None and text.get_text() == words(target):
            text.set_fontweight("bold")


def _cloud(ax: Axes, grid: MapGrid, setpoint: tuple[float, float], shown: Shown) -> None:
    """Where the machine really is, 95 of 100 times, when told the setpoint: two setting errors each way."""
    if not (grid.x.setting_sd or grid.y.setting_sd):
        return
    turn = np.linspace(0, 2 * np.pi, 73)
    x = np.maximum(setpoint[0] + 2.448 * grid.x.setting_sd * np.cos(turn), 1e-9)  # sqrt of the 95 % chi-square, 2 df
    y = np.maximum(setpoint[1] + 2.448 * grid.y.setting_sd * np.sin(turn), 1e-9)
    ax.plot(
        axis_values(grid.x, x, shown),
        axis_values(grid.y, y, shown),
        color=ACCENT,
        lw=1.3,
        ls=(0, (5, 3)),
        zorder=6,
        label="setting error, 95 of 100",
    )


def _box(ax: Axes, grid: MapGrid, box: Box, *, style: str, label: str, shown: Shown) -> None:
    (x0, x1), (y0, y1) = (axis_values(f, np.array(side), shown) for f, side in ((grid.x, box.x), (grid.y, box.y)))
    ax.add_patch(Rectangle((x0, y0), x1 - x0, y1 - y0, fill=False, ec=ACCENT, lw=2.2, ls=style, zorder=7, label=label))


def _dots(ax: Axes, grid: MapGrid, dots: Dots, shown: Shown) -> None:
    x, y = axis_values(grid.x, dots.x, shown), axis_values(grid.y, dots.y, shown)
    dx, dy = _apart(dots.x, dots.y)
    for key, (marker, face, words) in MARKS.items():
        for near in (True, False):
            chosen = (dots.mark == key) & (dots.near == near)
            if not chosen.any():
                continue
            # offsets are in points, so that coupons made at one setting stand side by side at any scale
            for i in np.flatnonzero(chosen):
                shift = ScaledTranslation(dx[i] / 72, dy[i] / 72, ax.figure.dpi_scale_trans)
                ax.plot(
                    x[i],
                    y[i],
                    marker=marker,
                    ms=7.5 if near else 5.5,
                    mfc=face,
                    mec=INK,
                    mew=1.1 if near else 0.7,
                    ls="none",
                    alpha=1 if near else 0.55,
                    zorder=5,
                    transform=ax.transData + shift,
                )
        if (dots.mark == key).any():
            ax.plot([], [], marker=marker, ms=7.5, mfc=face, mec=INK, mew=1.1, ls="none", label=words)


def _apart(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Offsets in points that spread coupons of one place in a small spiral."""
    dx, dy = np.zeros(len(x)), np.zeros(len(x))
    places = np.unique(np.column_stack([x, y]), axis=0, return_inverse=True)[1].ravel()
    for place in range(places.max() + 1 if len(x) else 0):
        rows = np.flatnonzero(places == place)
        if len(rows) > 1:
            k = np.arange(len(rows))
            radius, turn = 5.2 * np.sqrt(k + 0.6), k * 2.39996  # golden angle: no two on one line
            dx[rows], dy[rows] = radius * np.cos(turn), radius * np.sin(turn)
    return dx, dy


@dataclass(frozen=True)
class Curve:
    """One factor moved alone from the setpoint.

    Arrays over ``values`` (stored units): ``middle`` with its band ``low`` to ``high``. ``edges`` are settings where
    the curve has fallen off, each with "under" or "over".
    """

    factor: Factor
    values: Floats
    middle: Floats
    low: Floats
    high: Floats
    edges: tuple[tuple[float, str], ...]


def draw_profile(
    curve: Curve,
    *,
    name: str,
    title: str,
    description: str,
    setpoint: float,
    target: float | None,
    window: tuple[float, float] | None,
    as_percent: bool,
    shown: Shown = METRIC,
) -> Markup:
    """Curve of pass rate (or hand-feel) along one factor, with its band, the window and the cliffs.

    Parameters
    ----------
    curve : Curve
    name, title, description : str
        See `reports.drawing.svg.to_svg`.
    setpoint : float
    target : float, optional
        What is wanted, a horizontal line.
    window : (float, float), optional
        The expected window along this factor.
    as_percent : bool
        Whether values are shares or hand-feel scores.
    shown : Shown, optional
    """
    f = curve.factor
    xs = axis_values(f, curve.values, shown)
    scale = 100.0 if as_percent else 1.0
    with canvas(4.1, 2.9) as (figure, ax):
        dress_axis(ax, "x", f, _widened(f), shown=shown)
        bottom, top = (-3.0, 104.0) if as_percent else (0.55, 5.1)
        ax.set_ylim(bottom, top)
        ax.set_yticks([0, 25, 50, 75, 100] if as_percent else [1, 2, 3, 4, 5])
        ax.set_ylabel("pass rate, %" if as_percent else "hand-feel")
        for ends in ((_widened(f)[0], f.low), (f.high, _widened(f)[1])):
            ax.axvspan(
                *axis_values(f, np.array(ends), shown), facecolor="#f1ede3", hatch="////", edgecolor="#8b867a", lw=0
            )
        if window is not None:
            ax.axvspan(*axis_values(f, np.array(window), shown), facecolor=STRIP, edgecolor=ACCENT, lw=1.2, zorder=0.8)
        ax.fill_between(xs, curve.low * scale, curve.high * scale, color="#c9c2b2", alpha=0.6, lw=0, zorder=1)
        ax.plot(xs, curve.middle * scale, color=INK, lw=2.2, zorder=3)
        if target is not None:
            ax.axhline(target * scale, color=SOFT, lw=1.1, ls=(0, (4, 3)), zorder=2)
            ax.annotate(
                f"wanted {target * scale:g}",
                (0.985, target * scale),
                xycoords=("axes fraction", "data"),
                xytext=(0, -3),
                textcoords="offset points",
                ha="right",
                va="top",
                fontsize=8.5,
                color=SOFT,
            )
        spot = float(axis_values(f, np.array([setpoint]), shown)[0])
        ax.axvline(spot, color=ACCENT, lw=2, zorder=4)
        for at, side in curve.edges:
            place = float(axis_values(f, np.array([at]), shown)[0])
            height = float(np.interp(at, curve.values, curve.middle)) * scale
            marker, face, _ = MARKS[side]
            ax.plot(place, height, marker=marker, ms=10, mfc=face, mec=INK, mew=1.1, zorder=6)
        return to_svg(figure, name=name, title=title, description=description)


__all__ = ["Box", "Curve", "Dots", "MapGrid", "draw_map", "draw_profile"]
