"""A range on a scale: what was typed, the band that is usual, the limits of the data sheets."""

from __future__ import annotations

from html import escape

from markupsafe import Markup

from doe.domain.factors import KNOWN_FACTORS, Factor
from doe.domain.limits import Limits
from doe.domain.units import METRIC, Shown
from doe.words.wording import amount, amount_range

MARGIN = 0.06
"""Of the scale, free at each end."""


def range_scale(factor: Factor, shown: Shown = METRIC, limits: Limits | None = None) -> Markup:
    """The range of a numeric factor beside what is usual, as wide as its place; its text keeps its size.

    Parameters
    ----------
    factor : Factor
    shown : Shown
    limits : Limits, optional
        What is drawn as an end that must not be passed.
    """
    known = KNOWN_FACTORS.get(factor.name)
    usual = known.typical if known is not None and known.typical[0] == known.typical[0] else None
    ends = tuple(
        end for end in (limits.bounds(factor.name, factor.heated_mm) if limits else (None, None)) if end is not None
    )
    points = [factor.low, factor.high, *(usual or ()), *ends]
    low, high = min(points), max(points)
    span = (high - low) or 1.0

    def at(value: float) -> str:
        return f"{100 * (MARGIN + (1 - 2 * MARGIN) * (value - low) / span):.2f}%"

    def bar(first: float, last: float, top: int, height: int, style: str) -> str:
        width = 100 * (1 - 2 * MARGIN) * (last - first) / span
        return f'<rect x="{at(first)}" y="{top}" width="{width:.2f}%" height="{height}" class="{style}"/>'

    said = f"{factor.label}: to be tested from {amount_range(factor, factor.low, factor.high, shown)}"
    parts = []
    if usual is not None:
        said += f"; usual is {amount_range(factor, *usual, shown)}"
        parts.append(bar(*usual, 8, 12, "usual"))
    parts.append(bar(factor.low, factor.high, 4, 20, "chosen"))
    for end in ends:
        said += f"; limit {amount(factor, end, shown)}"
        parts.append(f'<line x1="{at(end)}" x2="{at(end)}" y1="0" y2="28" class="limit"/>')
    for value in dict.fromkeys((factor.low, factor.high)):
        parts.append(f'<text x="{at(value)}" y="42" text-anchor="middle">{escape(amount(factor, value, shown))}</text>')
    title = f"<title>{escape(said)}</title>"
    return Markup(f'<svg class="scale" width="100%" height="48" role="img">{title}{"".join(parts)}</svg>')
