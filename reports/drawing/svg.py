"""From a matplotlib figure to a small inline SVG: own fonts of the page, unique ids, a text alternative."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from html import escape
from typing import Literal

import matplotlib as mpl
import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import NullLocator

from doe.domain.factors import Factor
from doe.domain.jsonable import packaged_table
from doe.domain.units import SYMBOLS, Shown
from reports.drawing.palette import FONTS, PAPER, Floats, bare, ticks_of


@contextmanager
def canvas(width: float, height: float) -> Iterator[tuple[Figure, Axes]]:
    """A figure in our style with one pair of axes; sizes in inches. No window, no global figure list."""
    with mpl.rc_context(packaged_table("figures")):  # type: ignore[arg-type] # matplotlib checks the keys
        figure = Figure(figsize=(width, height), layout="constrained")
        yield figure, figure.add_subplot()


def to_svg(figure: Figure, *, name: str, title: str, description: str) -> Markup:
    """Inline SVG of a figure.

    Parameters
    ----------
    figure : Figure
    name : str
        Unique on its page; every id in the SVG starts with it, so that several can share a page.
    title, description : str
        Text alternative for those who do not see the figure.

    Returns
    -------
    Markup
        Safe to place in a page: everything in it is ours or escaped.
    """
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None}, facecolor=PAPER)
    svg = buffer.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<!--.*?-->\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r'(\sid=")', rf"\1{name}-", svg)
    svg = re.sub(r'((?:xlink:)?href="#|url\(#)', rf"\1{name}-", svg)
    # two decimals of a point are finer than any printer; half the file is digits behind them
    svg = re.sub(r"-?\d+\.\d{3,}", _shorter, svg)
    svg = re.sub(r"font(-family)?: ?([^;\"]*?)'Liberation Sans'[^;\"]*", rf"font\1: \2{FONTS}", svg)
    size = re.search(r'viewBox="([^"]*)"', svg)
    box = size[1] if size else "0 0 100 100"
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" viewBox="{box}" '
        f'role="img" aria-labelledby="{name}-title {name}-desc"><title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-desc">{escape(description)}</desc>'
    )
    body = svg[svg.index(">") + 1 :]
    return Markup(head + re.sub(r"\n\s*", "\n", body))  # drawn by us; texts are escaped above or by matplotlib


def _shorter(match: re.Match[str]) -> str:
    text = f"{float(match[0]):.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def axis_values(factor: Factor, values: Floats, shown: Shown) -> Floats:
    """Settings as plotted, in the reader's unit."""
    if shown.unit(factor.unit) == "degF":
        return values * 9 / 5 + 32
    return values * shown.value(1.0, factor.unit) if factor.unit == "bar" else values


def dress_axis(
    ax: Axes, which: Literal["x", "y"], factor: Factor, ends: tuple[float, float], *, shown: Shown, most: int = 5
) -> None:
    """Scale, ticks and label of one axis for a factor; temperatures carry both units."""
    axis = ax.xaxis if which == "x" else ax.yaxis
    ticks = ticks_of(factor, factor.low, factor.high, most=most)
    if factor.scale == "log":
        ax.set(**{f"{which}scale": "log"})
    ax.set(**{f"{which}lim": tuple(axis_values(factor, np.array(ends, dtype=float), shown))})
    axis.set_minor_locator(NullLocator())
    labels = [bare(factor, float(t), shown) for t in ticks]
    unit = SYMBOLS[shown.unit(factor.unit)]
    if factor.is_temperature:
        other = shown.other
        labels = [f"{a}\n{bare(factor, float(t), other)}" for a, t in zip(labels, ticks, strict=True)]
        unit = f"{unit} over {SYMBOLS[other.unit(factor.unit)]}"
    axis.set_ticks(axis_values(factor, ticks, shown), labels)
    axis.set_label_text(f"{factor.label}, {unit}" if unit else factor.label)
