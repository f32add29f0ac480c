"""Small drawings of what is seen on a failed coupon: one for every symptom of the catalogue.

They stand in `templates/tables/drawings.toml`, each in a 48 x 48 box and told apart by shape alone, so that it reads in
black and white, on a label and on a phone.
"""

from __future__ import annotations

from markupsafe import Markup

from doe.domain.jsonable import packaged_table
from doe.symptoms.catalogue import symptom

_INK, _TONE, _PAPER = "#1b211f", "#cfc8b8", "#ffffff"
SIZE = 48
"""Side of the box a drawing is made in, and its usual size on a page in CSS pixels."""

# Presentation attributes of the letters used there, written out so that a drawing needs no style sheet.
_LOOKS = {
    "i": f'fill="{_INK}" stroke="none"',  # ink
    "w": f'fill="{_PAPER}"',  # white, outlined
    "h": f'fill="{_PAPER}" stroke="none"',  # hole
    "t": f'fill="{_TONE}" stroke-width="1.2"',  # toned, outlined
    "y": 'fill="#f3e3a8" stroke="none"',  # cream; the dots say it in black and white
    "n": 'fill="none" stroke-width="1.5"',
    "b": 'fill="none" stroke-width="2.4"',
    "k": 'fill="none" stroke-width="4.2"',
    "s": f'fill="none" stroke="{_PAPER}" stroke-width="1.7"',
    "d": 'fill="none" stroke-dasharray="2.6 2"',
}


def symptom_svg(key: str) -> Markup:
    """Drawing of a symptom as inline SVG, 48 x 48 unless a style sheet sizes the class ``symptom``.

    It is hidden from screen readers: the symptom's name stands beside it wherever it is shown, and nothing is to be
    read out twice.

    Parameters
    ----------
    key : str
        Key of the catalogue, such as ``"film_lock"``; ``""`` draws a sound print.

    Raises
    ------
    InputError
        If the symptom is not in the catalogue.

    Examples
    --------
    >>> 'aria-hidden="true"' in symptom_svg("film_lock")
    True
    """
    if key:
        symptom(key)
    body = packaged_table("drawings")[key].replace("\n", "")
    for letter, look in _LOOKS.items():
        body = body.replace(f'class="{letter}"', look)
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" class="symptom" viewBox="0 0 {SIZE} {SIZE}" width="{SIZE}" '
        f'height="{SIZE}" fill="{_PAPER}" stroke="{_INK}" stroke-width="1.5" stroke-linejoin="round" '
        f'stroke-linecap="round" aria-hidden="true">{body}</svg>'
    )
