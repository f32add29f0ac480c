"""Figures that fill any width while their text and marks keep their size.

Every place is a share of the plot's box, 0 to 1 from the left and from below. Shapes (lines, areas) are stretched with
the box; words and marks are put at their place and keep their size in CSS pixels. So one drawing does for a phone, a
desk and paper, and its text is never smaller or larger than the page's.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

import numpy as np
from markupsafe import Markup

from doe.domain.factors import Factor
from doe.domain.units import METRIC, SYMBOLS, Shown
from doe.words.typography import fine
from reports.drawing.palette import (
    ACCENT,
    HATCH,
    INK,
    OTHER,
    OVER,
    PAPER,
    RULE,
    SOFT,
    UNDER,
    WASH,
    Floats,
    bare,
    ticks_of,
)

UNIT = 1000
"""Side of the box that shapes are drawn in before they are stretched."""

RIM = 0.04
"""Share of a factor's axis beyond each end of its tested range: nothing is known there."""

_HATCH = (
    '<pattern id="{0}-hatch" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    f'<rect width="7" height="7" fill="{WASH}"/><path d="M0 0V7" stroke="{HATCH}" stroke-width="1.1"/></pattern>'
)

SHAPES = {
    "pass": f'<circle r="5" fill="{PAPER}" stroke="{INK}" stroke-width="1.6"/>',
    "under": f'<path d="M-6-5H6L0 6Z" fill="{UNDER}" stroke="{INK}"/>',
    "over": f'<path d="M-6 5H6L0-6Z" fill="{OVER}" stroke="{INK}"/>',
    "other": f'<path d="M-5-5H5V5H-5Z" fill="{OTHER}" stroke="{INK}"/>',
    "unknown": f'<path d="M-5-5L5 5M5-5L-5 5" stroke="{PAPER}" stroke-width="5"/>'
    f'<path d="M-5-5L5 5M5-5L-5 5" stroke="{INK}" stroke-width="2.6"/>',
    "setpoint": f'<circle r="9" fill="none" stroke="{PAPER}" stroke-width="5"/>'
    f'<path d="M-13 0H13M0-13V13" stroke="{PAPER}" stroke-width="4"/>'
    f'<circle r="9" fill="none" stroke="{ACCENT}" stroke-width="2.4"/>'
    f'<path d="M-13 0H13M0-13V13" stroke="{ACCENT}" stroke-width="1.8"/>',
    "try": f'<circle r="7" fill="{ACCENT}" stroke="{PAPER}" stroke-width="2.5"/>',
    "full": f'<circle r="5" fill="{ACCENT}" stroke="{ACCENT}" stroke-width="1.6"/>',
    "open": f'<circle r="5" fill="{PAPER}" stroke="{ACCENT}" stroke-width="1.6"/>',
    "waiting": f'<circle r="5" fill="none" stroke="{SOFT}" stroke-width="1.6" stroke-dasharray="3 2.5"/>',
    "missing": f'<path d="M-4 0H4" stroke="{SOFT}" stroke-width="1.6"/>',
}
"""Marks, each about its middle in CSS pixels; the same thing has the same one in every figure."""


class Along:
    """A factor along an axis: settings in the stored unit become shares of it."""

    def __init__(self, factor: Factor, shown: Shown = METRIC) -> None:
        self.factor, self.shown = factor, shown

    def __call__(self, settings: Sequence[float] | Floats) -> Floats:
        """Shares of the axis, shape (settings,)."""
        f, values = self.factor, np.asarray(settings, dtype=float)
        ends = np.array([f.low, f.high])
        if f.scale == "log":
            values, ends = np.log(values), np.log(ends)
        shares: Floats = RIM + (1 - 2 * RIM) * (values - ends[0]) / (ends[1] - ends[0])
        return shares

    def at(self, setting: float | str) -> float:
        """Share of one setting."""
        return float(self([float(setting)])[0])

    def ticks(self, most: int = 4) -> list[tuple[float, tuple[str, ...]]]:
        """Places of round settings with their labels, one a unit."""
        f = self.factor
        units = (self.shown, self.shown.other) if f.is_temperature else (self.shown,)
        values = [float(v) for v in ticks_of(f, f.low, f.high, most=most)]
        return [(self.at(v), tuple(bare(f, v, unit) for unit in units)) for v in values]

    @property
    def title(self) -> str:
        """Name, units and, in plain words, how the axis is divided."""
        f = self.factor
        units = (self.shown, self.shown.other) if f.is_temperature else (self.shown,)
        unit = " over ".join(SYMBOLS[u.unit(f.unit)] for u in units)
        spacing = "doubling takes equal room" if f.scale == "log" else "even steps"
        return ", ".join(part for part in (f.label, unit, spacing) if part)


class Plot:
    """One figure, built up from behind to before.

    Parameters
    ----------
    name : str
        Unique on its page; every id starts with it.
    kind : str
        Class of its box in the style sheet, which gives it its margins and height.
    height : int, optional
        Of its box without its margins, in CSS pixels, where the style sheet leaves it open.
    """

    def __init__(self, name: str, kind: str, *, height: int = 0) -> None:
        self.name, self.kind = name, kind
        self._height = f"{height}" if height else "100%"
        self._shapes: list[str] = []
        self._over: list[str] = []
        self._data = ""

    def tell(self, **data: str) -> None:
        """Facts for the page's script, as data attributes of the box."""
        self._data += "".join(f' data-{key}="{escape(value)}"' for key, value in data.items())

    def path(self, d: str, **look: str | float) -> None:
        """A shape in `UNIT` coordinates, from the top left."""
        self._shapes.append(f'<path d="{d}"{_look(look)}/>')

    def defined(self, text: str) -> None:
        """Definitions for shapes: gradients, clips."""
        self._shapes.append(f"<defs>{text}</defs>")

    def line(
        self, x: Iterable[float], y: Iterable[float], *, stroke: str = INK, width: float = 1.5, **look: str
    ) -> None:
        """A line through places."""
        self.path(route(x, y), fill="none", stroke=stroke, stroke_width=width, **look)

    def box(self, x0: float, x1: float, y0: float, y1: float, **look: str | float) -> None:
        """A rectangle."""
        self.path(route([x0, x1, x1, x0], [y0, y0, y1, y1]) + "Z", **look)

    def hatched(self) -> str:
        """The fill of what was not tested."""
        return f"url(#{self.name}-hatch)"

    def frame(self, stroke: str = SOFT) -> None:
        """The two axes."""
        self.line([0, 0, 1], [1, 0, 0], stroke=stroke, width=1)

    def mark(self, x: float, y: float, key: str, *, size: float = 1.0, look: str = "") -> None:
        """A mark of `SHAPES`."""
        scaled = f'<g transform="scale({size:g})">{SHAPES[key]}</g>' if size != 1 else SHAPES[key]
        self._over.append(f'<svg x="{_percent(x)}" y="{_percent(1 - y)}" overflow="visible"{look}>{scaled}</svg>')

    def text(
        self, x: float, y: float, words: str, *, dx: float = 0, dy: float = 4, anchor: str = "middle", look: str = ""
    ) -> None:
        """Words at a place, moved by CSS pixels; ``anchor`` is start, middle or end."""
        moved = f' dx="{dx:g}"' if dx else ""
        kind = f' class="{look}"' if look else ""
        self._over.append(
            f'<text x="{_percent(x)}" y="{_percent(1 - y)}"{moved} dy="{dy:g}" text-anchor="{anchor}"{kind}>'
            f"{escape(fine(words))}</text>"
        )

    def along_x(self, ticks: Iterable[tuple[float, tuple[str, ...]]], title: str = "", *, below: float = 0) -> None:
        """Tick labels under the box, line under line, and the axis' title; ``below`` moves them down, in CSS pixels."""
        lines = 1
        for place, labels in ticks:
            self.line([place, place], [0, 0.02], stroke=SOFT, width=1)
            for i, label in enumerate(labels):
                self.text(place, 0, label, dy=below + 17 + 14 * i, look="soft" if i else "")
            lines = max(lines, len(labels))
        if title:
            self.text(0.5, 0, title, dy=below + 20 + 14 * lines, look="axis")

    def along_y(self, ticks: Iterable[tuple[float, tuple[str, ...]]], title: str = "") -> None:
        """Tick labels left of the box; the title stands above it, level and so read without turning one's head."""
        for place, labels in ticks:
            self.line([0, 0.015], [place, place], stroke=SOFT, width=1)
            for i, label in enumerate(labels):
                self.text(
                    0, place, label, dx=-7, dy=4 + 13 * i - 6 * (len(labels) - 1), anchor="end", look="soft" * bool(i)
                )
        if title:
            self.text(0, 1, title, dx=-44, dy=-12, anchor="start", look="axis")

    def level(self, at: float, words: str = "", *, upright: bool = False, below: bool = False) -> None:
        """A dashed line across, with its words above its end, or ``below`` it."""
        dashes = {"stroke_dasharray": "4 3"}
        if upright:
            self.line([at, at], [0, 1], stroke=SOFT, width=1.1, **dashes)
            self.text(at, 1, words, dx=4, dy=10, anchor="start", look="soft")
        else:
            self.line([0, 1], [at, at], stroke=SOFT, width=1.1, **dashes)
            self.text(1, at, words, dy=14 if below else -4, anchor="end", look="soft")

    def rule(self, at: float) -> None:
        """A pale upright line."""
        self.line([at, at], [0, 1], stroke=RULE, width=1)

    def svg(self, *, title: str, description: str) -> Markup:
        """The figure with its text alternative; safe to place in a page, everything in it is ours or escaped."""
        name = self.name
        hatch = _HATCH.format(name) if any(f"{name}-hatch" in shape for shape in self._shapes) else ""
        return Markup(
            f'<div class="plot {self.kind}"{self._data}><svg xmlns="http://www.w3.org/2000/svg" role="img" '
            f'height="{self._height}" aria-labelledby="{name}-title {name}-desc">'
            f'<title id="{name}-title">{escape(title)}</title>'
            f'<desc id="{name}-desc">{escape(description)}</desc>'
            f'<svg viewBox="0 0 {UNIT} {UNIT}" preserveAspectRatio="none" width="100%" height="100%">{hatch}'
            f"{''.join(self._shapes)}</svg>{''.join(self._over)}</svg></div>"
        )


def route(x: Iterable[float], y: Iterable[float]) -> str:
    """Path through places given as shares."""
    points = (f"{_short(UNIT * a)} {_short(UNIT * (1 - b))}" for a, b in zip(x, y, strict=True))
    return "M" + "L".join(points)


def _look(look: dict[str, str | float]) -> str:
    told = "".join(f' {key.rstrip("_").replace("_", "-")}="{value}"' for key, value in look.items())
    return told + (' vector-effect="non-scaling-stroke"' if "stroke" in look else "")


def _short(value: float) -> str:
    text = f"{value:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


def _percent(share: float) -> str:
    return f"{100 * share:.2f}".rstrip("0").rstrip(".") + "%"
