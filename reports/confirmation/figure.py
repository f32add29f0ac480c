"""The coupons of a confirmation, one mark each, in the order they were pressed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

from markupsafe import Markup

from reports.drawing.svg import ACCENT, FONTS, INK, OVER, PAPER, SOFT

_STEP, _PER_ROW, _LEFT, _TOP = 22, 25, 100, 16


def draw_marks(rows: Mapping[str, Sequence[str]], *, name: str, title: str, description: str) -> Markup:
    """Marks in rows: an open circle passed, a filled triangle failed, a dashed circle waits, a point is not scored.

    Parameters
    ----------
    rows : mapping of label to sequence of str
        ``passed``, ``failed``, ``waiting`` or ``not scored`` for each coupon, in order; long rows go on below.
    name, title, description : str
        See `reports.drawing.svg.to_svg`.
    """
    shapes = []
    y = _TOP
    for label, states in rows.items():
        shapes.append(
            f'<text x="8" y="{y + 4}" font-family="{FONTS}" font-size="13" fill="{INK}">{escape(label)}</text>'
        )
        for i, state in enumerate(states):
            at = f'x="{_LEFT + i % _PER_ROW * _STEP}" y="{y + i // _PER_ROW * _STEP}"'
            shapes.append(f'<use href="#{name}-{state.replace(" ", "-")}" {at}/>')
        y += ((len(states) - 1) // _PER_ROW + 1) * _STEP + 8
    most = max((min(len(states), _PER_ROW) for states in rows.values()), default=1)
    width, height = _LEFT + max(most, 12) * _STEP, y - 6
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
        f'style="max-width:{width}px" aria-labelledby="{name}-title {name}-desc"><title id="{name}-title">'
        f'{escape(title)}</title><desc id="{name}-desc">{escape(description)}</desc><defs>'
        f'<circle id="{name}-passed" r="7" fill="{PAPER}" stroke="{ACCENT}" stroke-width="2"/>'
        f'<path id="{name}-failed" d="M0-8L8 6H-8Z" fill="{OVER}" stroke="{INK}" stroke-width="1"/>'
        f'<circle id="{name}-waiting" r="7" fill="none" stroke="{SOFT}" stroke-width="1.6" stroke-dasharray="3 2.5"/>'
        f'<circle id="{name}-not-scored" r="2" fill="{SOFT}"/></defs>{"".join(shapes)}</svg>'
    )
