"""Small drawings of what is seen on a failed coupon: one for every symptom of the catalogue, made here from lines.

Each is drawn in a 48 x 48 box with nothing finer than a printed pixel of that box, and told apart by shape alone, so
that it reads in black and white, on a label and on a phone. Marks used throughout: a square with a folded corner is
the film, seen from its powder side; three small waves mean that it shows after a wash; a flat band is the coupon seen
from its edge.
"""

from __future__ import annotations

from html import escape

from markupsafe import Markup

from doe.symptoms.reading import symptom

_INK, _TONE, _PAPER = "#1b211f", "#cfc8b8", "#ffffff"
SIZE = 48
"""Side of the box a drawing is made in, and its usual size on a page in CSS pixels."""

_CLOTH = '<rect x="3" y="3" width="42" height="42" rx="2"/>'
_PRINT = '<rect class="i" x="11" y="11" width="26" height="26"/>'
_FILM = '<path d="M3 3h33l9 9v33H3z"/><path d="M36 3v9h9"/>'
_WASHED = '<path class="n" d="M5 42q3-3 6 0t6 0 6 0 6 0 6 0 6 0"/>'
_EDGE_ON = '<path class="t" d="M3 34h42v4H3z"/>'  # the cloth seen from its edge


def _dots(places: str, radius: float, kind: str) -> str:
    """Circles at ``x,y x,y ...``."""
    pairs = (place.split(",") for place in places.split())
    return "".join(f'<circle class="{kind}" cx="{x}" cy="{y}" r="{radius}"/>' for x, y in pairs)


_DRAWN: dict[str, str] = {
    "": _CLOTH + _PRINT,
    "edge_haze": _CLOTH
    + '<rect class="i" x="15" y="15" width="18" height="18"/>'
    + _dots(
        "8,9 13,7 19,10 25,7 31,11 37,8 40,14 37,20 41,26 38,32 40,39 33,37 27,41 21,37 15,41 9,38 11,32 7,26 11,20"
        " 8,15",
        1.3,
        "i",
    ),
    "no_transfer": '<rect x="3" y="17" width="28" height="28" rx="2"/><rect class="d" x="8" y="22" width="17" '
    'height="17"/><path d="M18 3h20l7 7v21H18z"/><path d="M38 3v7h7"/><rect class="i" x="23" y="12" width="16" '
    'height="14"/>',
    "patchy_transfer": _CLOTH
    + '<rect class="d" x="11" y="11" width="26" height="26"/><path class="i" d="M11 11h12l-3 6-9 3z'
    'M29 11h8v11l-7-3zM11 27l6-2 7 6-2 6H11zM31 28l6-2v11h-9zM22 19l5 2-1 5-6-1z"/>',
    "grainy_back": _FILM
    + _dots("12,16 21,15 30,17 16,23 26,24 35,23 11,30 21,31 31,31 15,38 26,38 36,38", 2.6, "w")
    + _dots("17,17 26,19 35,17 11,23 21,24 31,25 16,31 26,32 36,31 20,38 31,38 11,37", 1.1, "i"),
    "wet_sheen": _FILM
    + '<path class="t" d="M9 14h30v27H9z"/><path class="w" d="M17 18q-5 7 0 9 5-2 0-9zM30 22q-6 8 0 11 6-3 0-11z'
    'M19 31q-4 6 0 7.5 4-1.5 0-7.5z"/>',
    "glass_back": _FILM
    + '<rect x="9" y="15" width="30" height="26"/><path class="b" d="M13 36l15-17M20 37l11-12"/>'
    + '<path class="i" d="M33 17l1.5 4 4 1.5-4 1.5-1.5 4-1.5-4-4-1.5 4-1.5z"/>',
    "film_lock": _CLOTH
    + '<rect class="i" x="9" y="14" width="17" height="24"/><path class="w" d="M22 9l4 5-4 5 4 5-4 5 4 5-4 6h21V9z"/>'
    + '<path class="n" d="M30 12l-3 4M36 12l-8 10M41 13L27 31M41 22L30 36M41 30l-5 7"/>',
    "string_peel": _EDGE_ON
    + '<path class="i" d="M6 29h30v4H6z"/><path class="b" d="M6 27Q28 26 44 8"/>'
    + '<path class="n" d="M22 28.5l3-4.5M27 28.5l3-7M32 28.5l3-10M36 30l4-14"/>',
    "blisters": _CLOTH
    + _PRINT
    + _dots("17,18", 3.6, "w")
    + _dots("29,17 32,30", 2.8, "w")
    + _dots("21,29", 4.4, "w")
    + '<path class="n" d="M15.5 17.5q.5-1.5 2-2M18.5 28q.5-2 2.5-2.5"/>',
    "pinholes": _CLOTH
    + _PRINT
    + _dots("15,15 22,14 29,16 34,14 33,22 18,21 26,22 14,28 21,28 28,29 34,30 17,34 25,34 32,35", 1.6, "h"),
    "small_part_loss": _CLOTH
    + '<rect class="i" x="9" y="10" width="15" height="28"/>'
    + _dots("31,13 31,33", 2.4, "i")
    + _dots("38,13 38,33", 2.4, "d")
    + '<path class="b" d="M29 20h4M29 26h11"/><path class="d" d="M34 20h6"/>',
    "edge_lift_dry": _EDGE_ON + '<path class="k" d="M5 22q3 9.5 10 9.5h18q7 0 10-9.5"/>',
    "edge_lift_wash": '<path class="t" d="M3 30h42v4H3z"/><path class="k" d="M5 18q3 9.5 10 9.5h18q7 0 10-9.5"/>'
    + _WASHED,
    "sheet_lift_wash": '<path class="t" d="M3 30h42v4H3z"/><path class="k" d="M42 27.5Q22 27 8 8"/>'
    '<path class="n" d="M10 27v-8m-2.5 3l2.5-3 2.5 3"/>' + _WASHED,
    "colour_shed": '<rect x="3" y="3" width="42" height="33" rx="2"/><path class="i" d="M11 8h11l-2 6 3 6-3 6H11z"/>'
    '<path class="d" d="M11 8h26v18H11z"/>'
    + _dots("27,13 33,16 28,21 34,24", 1.1, "i")
    + _dots("27,30 33,31 21,31 15,30", 1.4, "i")
    + _WASHED,
    "wash_ripple": '<rect x="3" y="3" width="42" height="33" rx="2"/>'
    '<path class="i" d="M10 9q3-3 6.5 0t7 0 7 0 7 0q3 4 0 7t0 7 0 7q-3 3-7 0t-7 0-7 0-6.5 0q-3-4 0-7t0-7 0-7z"/>'
    '<path class="s" d="M13 16q3-3 6 0t6 0 6 0 4 0M13 23q3-3 6 0t6 0 6 0 4 0"/>' + _WASHED,
    "press_shrink": '<rect class="d" x="3" y="3" width="42" height="42"/>'
    '<path d="M9 7q15 5 30 0-5 17 0 34-15-5-30 0 5-17 0-34z"/><rect class="i" x="17" y="16" width="14" height="16"/>'
    '<path class="n" d="M3 24h8m-3-3l3 3-3 3M45 24h-8m3-3l-3 3 3 3"/>',
    "stretch_crack": '<rect x="9" y="3" width="30" height="42" rx="2"/><rect class="i" x="13" y="11" width="22" '
    'height="26"/><path class="s" d="M19 11l-2 6 3 6-3 7 2 7M25 11l2 7-3 6 3 6-2 7M31 11l-2 8 2 6-2 6 2 6"/>'
    '<path class="n" d="M7 24H1.5m3-3l-3 3 3 3M41 24h5.5m-3-3l3 3-3 3"/>',
    "stiff_hand": '<path class="t" d="M3 24h20v21H3z"/><path class="b" d="M3 21h42"/><path class="k" d="M10 17.5h32"/>'
    '<path class="d" d="M24 22q13 1 15 21"/>',
    "yellowing": _CLOTH
    + '<rect x="11" y="11" width="26" height="26"/><path class="y" d="M37 11v26H11z"/>'
    + _dots("34,17 30,21 34,24 26,25 30,28 34,31 22,29 26,32 18,33 30,35 22,35", 1.1, "i"),
    "dye_bleed": _CLOTH
    + '<path class="n" d="M3 11l8-8M3 21L21 3M3 31L31 3M3 41L41 3M8 45L45 8M18 45l27-27M28 45l17-17M38 45l7-7"/>'
    + '<rect class="w" x="12" y="12" width="24" height="24"/>'
    '<path class="t" d="M12 12h13q-2 5-6 6t-7 4zM36 25q-6 0-7 5t-6 6h13z"/><path class="n" d="M12 16l4-4M36 31l-5 5"/>',
    "press_mark": _CLOTH + '<path class="b" d="M8 8h32v32H8z"/><rect class="i" x="17" y="17" width="14" height="14"/>'
    '<path class="n" d="M11 17l6-6M11 23l3-3M37 31l-6 6M37 25l-3 3"/>',
    "scorch": '<rect x="3" y="15" width="42" height="30" rx="2"/>'
    '<path class="i" d="M10 22q6-4 11-1t9-2 9 5-1 9-6 7-9 0-10 1-5-8 2-11z"/>'
    '<path class="s" d="M14 27l5 3-2 6M26 24l-1 7 6 2M35 27l-4 5"/>'
    '<path class="n" d="M14 12q-3-3 0-5.5T14 2M24 12q-3-3 0-5.5T24 2M34 12q-3-3 0-5.5T34 2"/>',
    "sunk_print": _CLOTH
    + _PRINT
    + '<path class="s" d="M11 16.5h26M11 21.5h26M11 26.5h26M11 31.5h26M16.5 11v26M21.5 11v26M26.5 11v26'
    'M31.5 11v26"/>',
    "strike_through": '<path class="i" d="M9 12h30v5H9z"/><path class="t" d="M3 18h42v7H3z"/>'
    '<path class="i" d="M13 18h3v7q3 7-1.5 8T13 25zM24 18h3v7q4 9-1.5 11T24 25zM34 18h3v7q3 6-1.5 7T34 25z"/>',
    "tacky_face": _EDGE_ON + '<path class="i" d="M8 29h32v4H8z"/><path class="w" d="M17 3v10q0 7 7 7t7-7V3"/>'
    '<path class="n" d="M27.5 6h-7M19 18l-3 10.5M22 20l-1 8.5M26 20l1 8.5M29 18l3 10.5"/>',
}

_DESCRIBED_SOUND = ("sound print", "the whole image is on the cloth, edges down")

# Presentation attributes of the letters used above, written out so that a drawing needs no style sheet.
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


def symptom_svg(key: str, *, beside_text: bool = False) -> Markup:
    """Drawing of a symptom as inline SVG, 48 x 48 unless a style sheet sizes the class ``symptom``.

    Parameters
    ----------
    key : str
        Key of the catalogue, such as ``"film_lock"``; ``""`` draws a sound print.
    beside_text : bool
        True where the symptom's name stands beside the drawing anyway: it is then hidden from screen readers, so that
        nothing is read out twice. Otherwise the drawing carries the name as ``<title>`` and what is seen as ``<desc>``.

    Raises
    ------
    InputError
        If the symptom is not in the catalogue.

    Examples
    --------
    >>> "<title>film lock</title>" in symptom_svg("film_lock")
    True
    """
    label, seen = (found.label, found.seen) if key and (found := symptom(key)) else _DESCRIBED_SOUND
    body = _DRAWN[key]
    for letter, look in _LOOKS.items():
        body = body.replace(f'class="{letter}"', look)
    said = (
        ' aria-hidden="true">'
        if beside_text
        else f' role="img"><title>{escape(label)}</title><desc>{escape(seen)}</desc>'
    )
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" class="symptom" viewBox="0 0 {SIZE} {SIZE}" width="{SIZE}" '
        f'height="{SIZE}" fill="{_PAPER}" stroke="{_INK}" stroke-width="1.5" stroke-linejoin="round" '
        f'stroke-linecap="round"{said}{body}</svg>'
    )


__all__ = ["SIZE", "symptom_svg"]
