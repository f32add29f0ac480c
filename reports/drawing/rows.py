"""Marks in rows that flow on like words: one coupon after another, or pair after pair, on any width."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape

from markupsafe import Markup

from doe.words.typography import fine
from reports.drawing.palette import INK
from reports.drawing.plot import SHAPES

_WIDE, _HIGH = 20, 24
"""Room of one mark in CSS pixels."""


def draw_rows(
    rows: Mapping[str, Iterable[Sequence[str]]], *, heads: Sequence[str] = (), title: str, description: str
) -> Markup:
    """Rows of coupons, each a column of marks; a bar joins what only one of two passed.

    Parameters
    ----------
    rows : mapping of label to columns
        A column holds keys of `reports.drawing.plot.SHAPES`, one below the other.
    heads : sequence of str, optional
        What each place in a column is, said before the first one.
    title, description : str
        Text alternative.
    """
    head = (
        f'<span class="flow-heads">{"".join(f"<b>{escape(fine(text))}</b>" for text in heads)}</span>' if heads else ""
    )
    drawn = "".join(
        f"<p>{escape(fine(label))}</p><div>{head}{''.join(map(_column, columns))}</div>"
        for label, columns in rows.items()
    )
    return Markup(f'<div class="flow" role="img" aria-label="{escape(f"{title} {description}")}">{drawn}</div>')


def _column(marks: Sequence[str]) -> str:
    height = _HIGH * len(marks)
    split = len(marks) > 1 and not {"waiting", "missing"} & set(marks) and len({mark == "pass" for mark in marks}) > 1
    bar = f'<path class="split" d="M0 0V{height - _HIGH}" stroke="{INK}" stroke-width="4"/>' if split else ""
    placed = "".join(
        f'<g class="{mark}" transform="translate(0 {_HIGH * i})">{SHAPES[mark]}</g>' for i, mark in enumerate(marks)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_WIDE}" height="{height}" '
        f'viewBox="{-_WIDE / 2:g} {-_HIGH / 2:g} {_WIDE} {height}">{bar}{placed}</svg>'
    )
