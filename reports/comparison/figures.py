"""Pictures of a comparison: every pair with both materials, limits against margins, hand-feel pair by pair."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from reports.drawing.svg import ACCENT, FONTS, INK, OTHER, OVER, PAPER, RULE, SOFT, UNDER, canvas, to_svg

_STEP, _PER_ROW, _LEFT = 22, 30, 92
_SHAPES = {
    "passed": f'<circle r="7" fill="{PAPER}" stroke="{ACCENT}" stroke-width="2"/>',
    "under": f'<path d="M-8-6H8L0 8Z" fill="{UNDER}" stroke="{INK}"/>',
    "over": f'<path d="M0-8L8 6H-8Z" fill="{OVER}" stroke="{INK}"/>',
    "other": f'<path d="M-7-7H7V7H-7Z" fill="{OTHER}" stroke="{INK}"/>',
    "unknown": f'<path d="M-6-6L6 6M6-6L-6 6" stroke="{INK}" stroke-width="3.4"/>',
    "waiting": f'<circle r="7" fill="none" stroke="{SOFT}" stroke-width="1.6" stroke-dasharray="3 2.5"/>',
    "missing": f'<path d="M-4 0H4" stroke="{SOFT}" stroke-width="1.6"/>',
}


def draw_pairs(places: Mapping[str, Sequence[tuple[str, str]]], *, name: str, title: str, description: str) -> Markup:
    """Both coupons of every pair, one above the other; a bar joins them where only one of them passed.

    Parameters
    ----------
    places : mapping of place to sequence of (str, str)
        Outcome in use and outcome new, each a key of `_SHAPES` (a void one is missing), in the order of pressing.
    name, title, description : str
        See `reports.drawing.svg.to_svg`.
    """
    shapes = []
    y = 26
    for place, pairs in places.items():
        shapes.append(_text(4, y - 10, place, bold=True))
        for start in range(0, len(pairs), _PER_ROW):
            row = pairs[start : start + _PER_ROW]
            upper, lower = y + 10, y + 10 + _STEP
            shapes += [_text(4, upper + 5, "in use"), _text(4, lower + 5, "new")]
            for i, (old, new) in enumerate(row):
                x = _LEFT + i * _STEP
                if {old, new} - {"waiting", "missing"} == {old, new} and (old == "passed") != (new == "passed"):
                    shapes.append(f'<path d="M{x} {upper}V{lower}" stroke="{INK}" stroke-width="4"/>')
                for state, at in ((old, upper), (new, lower)):
                    shapes.append(f'<use href="#{name}-{state}" x="{x}" y="{at}"/>')
            y = lower + 18
        y += 22
    most = max((min(len(pairs), _PER_ROW) for pairs in places.values()), default=1)
    width, height = _LEFT + max(most, 14) * _STEP, y - 20
    marks = "".join(f'<g id="{name}-{state}">{shape}</g>' for state, shape in _SHAPES.items())
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
        f'style="max-width:{width}px" aria-labelledby="{name}-title {name}-desc"><title id="{name}-title">'
        f'{escape(title)}</title><desc id="{name}-desc">{escape(description)}</desc><defs>{marks}</defs>'
        f"{''.join(shapes)}</svg>"
    )


def _text(x: float, y: float, words: str, *, bold: bool = False) -> str:
    weight = ' font-weight="700"' if bold else ""
    return f'<text x="{x}" y="{y}" font-family="{FONTS}" font-size="13"{weight} fill="{INK}">{escape(words)}</text>'


def draw_limits(
    difference: float,
    limits: tuple[float, float],
    *,
    margins: tuple[float | None, float | None],
    unit: str,
    name: str,
    title: str,
    description: str,
) -> Markup:
    """A difference with its limits on a line; what lies beyond a margin is hatched.

    Parameters
    ----------
    difference : float
    limits : (float, float)
    margins : (float or None, float or None)
        Lower and upper margin; None where a side has none.
    unit : str
        Words of the axis.
    name, title, description : str
        See `reports.drawing.svg.to_svg`.
    """
    known = [v for v in (*limits, *margins, difference, 0.0) if v is not None]
    pad = 0.15 * (max(known) - min(known))
    left, right = min(known) - pad, max(known) + pad
    with canvas(6.4, 1.75) as (figure, ax):
        for margin, end in zip(margins, (left, right), strict=True):
            if margin is not None:
                ax.axvspan(min(end, margin), max(end, margin), facecolor="#efece4", hatch="////", linewidth=0)
                ax.axvline(margin, color=INK, linewidth=1.6)
                ax.annotate(
                    "margin",
                    (margin, 0.93),
                    xycoords=("data", "axes fraction"),
                    ha="center",
                    va="top",
                    fontsize=9,
                    bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.5},
                )
        ax.axvline(0, color=SOFT, linewidth=1, linestyle=(0, (4, 3)))
        ax.plot(limits, (0, 0), color=ACCENT, linewidth=4, solid_capstyle="butt")
        for end in limits:
            ax.plot((end, end), (-0.16, 0.16), color=ACCENT, linewidth=2.4)
        ax.plot(difference, 0, "o", markersize=9, markerfacecolor=PAPER, markeredgecolor=ACCENT, markeredgewidth=2)
        ax.set(xlim=(left, right), ylim=(-0.5, 0.75), yticks=[], xlabel=unit)
        ax.spines["left"].set_visible(False)
        return to_svg(figure, name=name, title=title, description=description)


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
        ax.plot(
            x,
            in_use,
            "s",
            markersize=6.5,
            markerfacecolor=PAPER,
            markeredgecolor=INK,
            markeredgewidth=1.4,
            label="in use",
        )
        ax.plot(x, new, "o", markersize=5, color=ACCENT, label="new")
        if wanted is not None:
            ax.axhline(wanted, color=INK, linewidth=1.2, linestyle=(0, (5, 3)))
            ax.annotate("wanted", (1, wanted), xycoords=("axes fraction", "data"), ha="right", va="bottom", fontsize=9)
        ax.set(
            ylim=(0.8, 5.2),
            yticks=range(1, 6),
            xlim=(0, len(new) + 1),
            xlabel="pair, in the order of pressing",
            ylabel="hand-feel, mean of people",
        )
        ax.legend(loc="lower left", ncols=2)
        return to_svg(figure, name=name, title=title, description=description)
