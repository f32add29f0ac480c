"""Pictures of the coupons themselves: where they were made and how they went, run order, effects."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from doe.domain.factors import Factor
from doe.domain.units import METRIC, Shown
from reports.drawing.svg import (
    ACCENT,
    INK,
    MARKS,
    PAPER,
    RULE,
    SOFT,
    STRIP,
    Floats,
    axis_values,
    canvas,
    dress_axis,
    to_svg,
)

LabelArray = NDArray[np.str_]


def draw_strip(
    factor: Factor,
    settings: Sequence[float | str],
    marks: LabelArray,
    *,
    name: str,
    title: str,
    description: str,
    setpoint: float | str,
    window: tuple[float, float] | None = None,
    shown: Shown = METRIC,
) -> Markup:
    """Every coupon along one factor, passed above, failed below, each by its shape.

    Parameters
    ----------
    factor : Factor
    settings : sequence, one a coupon
        Settings in the stored unit, or levels.
    marks : array of str
        Keys of `reports.drawing.svg.MARKS`.
    setpoint : float or str
    window : (float, float), optional
        The expected window along this factor, a shaded strip.
    """
    with canvas(4.1, 1.75) as (figure, ax):
        if factor.is_categorical:
            places = {level: float(i) for i, level in enumerate(factor.levels)}
            x = np.array([places[str(s)] for s in settings])
            spot = places[str(setpoint)]
            ax.set_xlim(-0.5, len(places) - 0.5)
            ax.set_xticks(list(places.values()), list(places))
            ax.set_xlabel(factor.label)
        else:
            x = axis_values(factor, np.asarray(settings, dtype=float), shown)
            spot = float(axis_values(factor, np.array([float(setpoint)]), shown)[0])
            room = 0.06 * (factor.high - factor.low)
            low = factor.low / (factor.high / factor.low) ** 0.06 if factor.scale == "log" else factor.low - room
            high = factor.high * (factor.high / factor.low) ** 0.06 if factor.scale == "log" else factor.high + room
            dress_axis(ax, "x", factor, (low, high), shown=shown)
            if window is not None:
                ax.axvspan(
                    *axis_values(factor, np.array(window), shown), facecolor=STRIP, edgecolor=ACCENT, lw=1.2, zorder=0.5
                )
        ax.set_ylim(-0.75, 1.75)
        ax.set_yticks([0, 1], ["failed", "passed"])
        ax.axhline(0.5, color=RULE, lw=0.8)
        ax.axvline(spot, color=ACCENT, lw=2, zorder=1)
        up = _stack(x, marks == "pass")
        for key, (marker, face, _) in MARKS.items():
            chosen = marks == key
            if chosen.any():
                ax.scatter(
                    x[chosen],
                    (marks[chosen] == "pass") + up[chosen],
                    marker=marker,
                    s=34,
                    facecolor=face,
                    edgecolor=INK,
                    linewidth=0.8,
                    zorder=3,
                )
        return to_svg(figure, name=name, title=title, description=description)


def _stack(x: Floats, passed: NDArray[np.bool_]) -> Floats:
    """Small heights that keep coupons of one setting and result apart."""
    up = np.zeros(len(x))
    for result in (True, False):
        for place in np.unique(x[passed == result]):
            rows = np.flatnonzero((x == place) & (passed == result))
            up[rows] = (np.arange(len(rows)) - (len(rows) - 1) / 2) * min(0.2, 0.85 / len(rows))
    return up


@dataclass(frozen=True)
class EffectBars:
    """Effects to draw, largest first: ``terms``, ``effect``, interval ``low`` to ``high`` (NaN without error)."""

    terms: tuple[str, ...]
    effect: Floats
    low: Floats
    high: Floats


def draw_effects(
    bars: EffectBars, *, name: str, title: str, description: str, axis: str, margin: float | None
) -> Markup:
    """Effects with intervals; filled where the interval (or Lenth's margin) clears zero.

    Parameters
    ----------
    bars : EffectBars
    axis : str
        What the effect is measured in.
    margin : float, optional
        Lenth's margin, drawn as two lines when there are no intervals.
    """
    n = len(bars.terms)
    with canvas(5.2, 0.9 + 0.3 * n) as (figure, ax):
        rows = np.arange(n)[::-1]
        has_band = bool(np.isfinite(bars.low).all())
        if has_band:
            ax.hlines(rows, bars.low, bars.high, color=SOFT, lw=2)
            clear = (bars.low > 0) | (bars.high < 0)
        else:
            clear = np.abs(bars.effect) > (margin if margin is not None else np.inf)
            if margin is not None:
                for at in (-margin, margin):
                    ax.axvline(at, color=SOFT, lw=1.1, ls=(0, (4, 3)))
        for chosen, face in ((clear, ACCENT), (~clear, PAPER)):
            ax.plot(bars.effect[chosen], rows[chosen], "o", ms=8, mfc=face, mec=ACCENT, mew=1.6, zorder=3)
        ax.axvline(0, color=INK, lw=1.2)
        ax.set_yticks(rows, bars.terms)
        ax.set_ylim(-0.7, n - 0.3)
        ax.tick_params(axis="y", length=0)
        ax.set_xlabel(axis)
        ax.margins(x=0.08)
        return to_svg(figure, name=name, title=title, description=description)


def draw_half_normal(
    terms: Sequence[str],
    size: Floats,
    quantile: Floats,
    *,
    name: str,
    title: str,
    description: str,
    margin: float,
    simultaneous: float,
    axis: str,
) -> Markup:
    """Half-normal plot with Lenth's two margins; effects beyond the first are named.

    Parameters
    ----------
    terms, size, quantile
        Effects, smallest first: names, absolute effects, half-normal quantiles (all of one length).
    margin, simultaneous : float
        Beyond the first an effect stands out on its own, beyond the second among so many.
    axis : str
    """
    with canvas(5.2, 4.2) as (figure, ax):
        ax.plot(size, quantile, "o", ms=7, mfc=PAPER, mec=ACCENT, mew=1.5, zorder=3)
        out = size > margin
        ax.plot(size[out], quantile[out], "o", ms=7, mfc=ACCENT, mec=ACCENT, zorder=4)
        right = max(float(size.max()), simultaneous) * 1.25
        for i in np.flatnonzero(out):
            to_left = size[i] > 0.55 * right
            ax.annotate(
                terms[int(i)],
                (size[i], quantile[i]),
                xytext=(-9 if to_left else 9, 0),
                textcoords="offset points",
                ha="right" if to_left else "left",
                va="center",
                fontsize=9,
            )
        top = float(quantile.max()) * 1.15
        for at, words in ((margin, "stands out\nalone"), (simultaneous, "stands out\namong all")):
            ax.axvline(at, color=SOFT, lw=1.1, ls=(0, (4, 3)))
            ax.annotate(
                words, (at, top), xytext=(3, -2), textcoords="offset points", va="top", fontsize=8.5, color=SOFT
            )
        ax.set(xlim=(0, right), ylim=(0, top), xlabel=axis, ylabel="half-normal quantile")
        return to_svg(figure, name=name, title=title, description=description)


def draw_drift(
    order: Floats,
    values: Floats,
    marks: LabelArray,
    centre: NDArray[np.bool_],
    *,
    rounds: Floats,
    is_hand: bool,
    name: str,
    title: str,
    description: str,
) -> Markup:
    """Results in the order they were pressed; repeats of the centre setting joined by a line.

    Parameters
    ----------
    order, values : array, shape (coupons,)
        Running number over all rounds, and hand-feel (or pass 1 / fail 0).
    marks : array of str
    centre : array of bool
        Coupons of the repeated centre setting.
    rounds : array
        Round of each coupon, for the lines between rounds.
    is_hand : bool
        Whether values are hand-feel scores, or pass and fail.
    """
    with canvas(5.2, 2.7) as (figure, ax):
        same = np.flatnonzero(centre & np.isfinite(values))
        if len(same) > 1:
            ax.plot(order[same], values[same], color=ACCENT, lw=1.8, zorder=2, label="same setting, made again")
        for key, (marker, face, words) in MARKS.items():
            chosen = (marks == key) & np.isfinite(values)
            if chosen.any():
                ax.scatter(
                    order[chosen],
                    values[chosen],
                    marker=marker,
                    s=40,
                    facecolor=face,
                    edgecolor=INK,
                    linewidth=0.9,
                    zorder=3,
                    label=words,
                )
        for at in np.flatnonzero(np.diff(rounds)) if len(rounds) > 1 else ():
            ax.axvline((order[at] + order[at + 1]) / 2, color=RULE, lw=1.2)
        ax.set_xlabel("order at the press")
        ax.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=8))
        ax.margins(y=0.14)
        if is_hand:
            ax.set_ylabel("mean hand-feel")
        else:
            ax.set_yticks([0, 1], ["failed", "passed"])
        figure.legend(loc="outside lower left", ncols=2, handletextpad=0.4, columnspacing=1.1, borderpad=0.2)
        return to_svg(figure, name=name, title=title, description=description)
