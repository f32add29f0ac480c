"""Pictures of a comparison: every pair with both materials, limits against margins, hand-feel pair by pair."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from reports.drawing import svg
from reports.drawing.svg import ACCENT, INK, PAPER, RULE, SOFT, canvas, to_svg
from reports.pages import environment
from reports.views import Picture

OPEN = ("waiting", "missing")
"""Outcomes of coupons that say nothing yet, or nothing any more."""


def draw_pairs(places: Mapping[str, Sequence[tuple[str, str]]], *, name: str, title: str, description: str) -> Markup:
    """Both coupons of every pair, one above the other; a bar joins them where only one of them passed.

    Parameters
    ----------
    places : mapping of place to sequence of (str, str)
        Outcome in use and outcome new (``passed``, a side, or one of `OPEN`; a void one is missing), in the order of
        pressing.
    name, title, description : str
        See `reports.drawing.svg.to_svg`.
    """
    width = 92 + 22 * min(max(14, *map(len, places.values())), 30)
    template = environment(set_well=False).get_template("comparison_pairs.svg")
    return Markup(
        template.render(
            places=places, open=OPEN, width=width, name=name, title=title, description=description, colours=svg
        )
    )


def draw_limits(
    difference: float,
    limits: tuple[float, float],
    margins: tuple[float | None, float | None],
    *,
    unit: str,
    name: str,
    title: str,
    caption: str,
) -> Picture:
    """A difference with its limits on a line; what lies beyond a margin is hatched.

    Parameters
    ----------
    difference : float
    limits : (float, float)
    margins : (float or None, float or None)
        Lower and upper margin; None where a side has none.
    unit : str
        What the difference is of, and its unit.
    name, title, caption : str
        See `reports.drawing.svg.to_svg` and `reports.views.Picture`.
    """
    low, high = limits
    known = [v for v in (*limits, *margins, difference, 0.0) if v is not None]
    pad = 0.15 * (max(known) - min(known))
    ends = min(known) - pad, max(known) + pad
    box = {"facecolor": PAPER, "edgecolor": "none", "pad": 1.5}
    with canvas(6.4, 1.75) as (figure, ax):
        for margin, end in zip(margins, ends, strict=True):
            if margin is not None:
                ax.axvspan(*sorted((end, margin)), facecolor="#efece4", hatch="////", linewidth=0)
                ax.axvline(margin, color=INK, linewidth=1.6)
                across = ax.get_xaxis_transform()
                ax.text(margin, 0.93, "margin", transform=across, ha="center", va="top", size=9, bbox=box)
        ax.axvline(0, color=SOFT, linewidth=1, linestyle=(0, (4, 3)))
        ax.errorbar(
            difference,
            0,
            xerr=[[difference - low], [high - difference]],
            fmt="o",
            color=ACCENT,
            elinewidth=4,
            capsize=9,
            capthick=2.4,
            markersize=9,
            markerfacecolor=PAPER,
            markeredgewidth=2,
        )
        ax.set(xlim=ends, ylim=(-0.5, 0.75), yticks=[], xlabel=f"difference of {unit}")
        ax.spines["left"].set_visible(False)
        told = f"Difference {difference:+.2f}, limits {low:+.2f} to {high:+.2f}. {caption}"
        return Picture(to_svg(figure, name=name, title=title, description=told), title, caption)


def draw_hand(
    in_use: NDArray[np.float64],
    new: NDArray[np.float64],
    *,
    wanted: float | None,
    name: str,
    title: str,
    description: str,
) -> Markup:
    """Mean hand-feel of both coupons of each pair, joined.

    Parameters
    ----------
    in_use, new : array, shape (pairs,)
        NaN where nobody scored the coupon.
    wanted : float or None
        Least hand-feel of the spec.
    name, title, description : str
        See `reports.drawing.svg.to_svg`.
    """
    x = np.arange(1, len(new) + 1)
    with canvas(6.4, 2.6) as (figure, ax):
        both = np.isfinite(in_use) & np.isfinite(new)
        ax.vlines(x[both], in_use[both], new[both], color=RULE, linewidth=2)
        ax.scatter(x, in_use, s=42, marker="s", facecolor=PAPER, edgecolor=INK, linewidth=1.4, zorder=3, label="in use")
        ax.scatter(x, new, s=25, color=ACCENT, zorder=3, label="new")
        if wanted is not None:
            ax.axhline(wanted, color=INK, linewidth=1.2, linestyle=(0, (5, 3)))
            ax.text(1, wanted, "wanted", transform=ax.get_yaxis_transform(), ha="right", va="bottom", size=9)
        ax.set(
            ylim=(0.8, 5.2),
            yticks=range(1, 6),
            xlim=(0, len(new) + 1),
            xlabel="pair, in the order of pressing",
            ylabel="hand-feel, mean of people",
        )
        ax.legend(loc="lower left", ncols=2)
        return to_svg(figure, name=name, title=title, description=description)
