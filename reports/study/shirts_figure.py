"""A hundred shirts: how many are expected to pass, and how many at least, told apart by shape."""

from __future__ import annotations

from html import escape

from markupsafe import Markup

from doe.words.wording import HUNDRED, at_least_of_hundred, out_of_hundred
from reports.drawing.svg import ACCENT, INK, PAPER

_STEP, _PER_ROW = 20, 20
# A plain tee, drawn in a 16 x 16 box.
_SHIRT = "M5 1 1 3.4 2.6 6.6 4 5.9V15h8V5.9l1.4.7L15 3.4 11 1C10.4 2.5 9.4 3.2 8 3.2S5.6 2.5 5 1Z"


def draw_shirts(expected: float, at_least: float, *, name: str, title: str, description: str) -> Markup:
    """Hundred small shirts: filled pass even by the lower bound, outlined are expected to pass, crossed to fail.

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
        f'<path id="{name}-sure" d="{_SHIRT}" fill="{ACCENT}" stroke="{ACCENT}"/>'
        f'<path id="{name}-likely" d="{_SHIRT}" fill="{PAPER}" stroke="{ACCENT}" stroke-width="1.3"/>'
        f'<g id="{name}-lost"><path d="{_SHIRT}" fill="none" stroke="{INK}" stroke-width=".8" '
        f'stroke-dasharray="1.6 1.4"/><path d="M4 4l8 9M12 4l-8 9" '
        f'stroke="{INK}" stroke-width="1.6"/></g></defs>{"".join(shapes)}</svg>'
    )
