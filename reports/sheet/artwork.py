"""The test image of our own that goes on coupons: what fails first in a print, in one place and at known sizes.

It is drawn from boxes and strokes alone, its letters too, so that a file needs no font, and nothing that is meant to
stay bare is painted: a gap is a place without ink, for white would be printed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from html import escape

SIDE = 80.0
"""Width and height of the image in mm."""
CODE_PLACE = (40.0, 2.0, 38.0, 12.0)
"""Frame left free for the coupon's code, in mm: left, top, width, height."""
WIDTHS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.8, 1.0)
"""Widths of lines, gaps and dots in mm."""
LETTERS = (1.0, 1.5, 2.0, 3.0)
"""Heights of the small letters in mm."""
SAMPLE = "GREAT BLANKS 2468"

_BLACK, _GREY, _WHITE = "#000000", "#808080", "#ffffff"
_SOLIDS = ("#00a0e0", "#e0007f", "#ffe000", _WHITE, "#e01020", "#00903c", "#2030a0", _GREY)
_RAMPS = ((2.0, _BLACK, _WHITE), (41.0, "#2030a0", "#ffe000"))
_RAMP_STEPS = 74
_TOP, _BAND, _PITCH = 41.0, 1.6, 2.3

_CAPITAL = 6
_STROKES = {  # polylines of points x, y on a grid 4 wide and 6 high, y upwards
    "0": "10 30 41 45 36 16 05 01 10",
    "1": "04 26 20",
    "2": "05 16 36 45 44 00 40",
    "3": "06 46 24 34 43 41 30 10 01",
    "4": "30 36 02 42",
    "5": "46 06 03 33 42 41 30 00",
    "6": "46 26 04 01 10 30 41 42 33 03",
    "8": "13 04 05 16 36 45 44 33 13 02 01 10 30 41 42 33",
    ".": "00 10",
    "A": "00 26 40/12 32",
    "B": "00 06 36 45 44 33 03/33 42 41 30 00",
    "C": "45 36 16 05 01 10 30 41",
    "D": "00 06 26 44 42 20 00",
    "E": "46 06 00 40/03 33",
    "G": "45 36 16 05 01 10 40 43 23",
    "I": "20 26",
    "K": "00 06/46 02/13 40",
    "L": "06 00 40",
    "M": "00 06 22 46 40",
    "N": "00 06 40 46",
    "O": "10 30 41 45 36 16 05 01 10",
    "P": "00 06 36 45 44 33 03",
    "R": "00 06 36 45 44 33 03/23 40",
    "S": "45 36 16 05 04 13 33 42 41 30 10 01",
    "T": "06 46/26 20",
    "U": "06 01 10 30 41 46",
    "X": "00 46/06 40",
}


@dataclass(frozen=True)
class Box:
    """A filled rectangle: left, top, width, height in mm."""

    left: float
    top: float
    width: float
    height: float
    colour: str = _BLACK


@dataclass(frozen=True)
class Stroke:
    """A line through ``points`` (mm, y downwards) of a ``width`` in mm, with square corners and ends."""

    points: tuple[tuple[float, float], ...]
    width: float


Shape = Box | Stroke


def artwork_shapes() -> tuple[Shape, ...]:
    """Everything on the image, in the order in which it is painted."""
    return (
        *_head(),
        *_solids(),
        *_lines_and_gaps(),
        *_letters(),
        *_dots(),
        *_ramps(),
        *_scale(),
    )


def artwork_svg(*, mirrored: bool = False) -> str:
    """The image as an SVG file of its true size; ``mirrored`` as film is printed that is laid face down."""
    turn = f"matrix(-1 0 0 1 {SIDE:g} 0)" if mirrored else "matrix(1 0 0 1 0 0)"
    return "\n".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{SIDE:g}mm" height="{SIDE:g}mm" '
            f'viewBox="0 0 {SIDE:g} {SIDE:g}">',
            f"<title>{escape(_title(mirrored=mirrored))}</title>",
            f'<g transform="{turn}" fill="none" stroke-miterlimit="10">',
            *map(_svg_shape, artwork_shapes()),
            "</g>",
            "</svg>\n",
        )
    )


def artwork_pdf(*, mirrored: bool = False) -> bytes:
    """The same as a PDF file of one page (ISO 32000-1), as large as the image."""
    unit = 72 / 25.4  # points in a mm
    size = SIDE * unit
    turn = f"{-unit:.6f} 0 0 {-unit:.6f} {size:.4f} {size:.4f} cm" if mirrored else _upright(unit, size)
    drawn = "\n".join((turn, "0 j 0 J 10 M", *map(_pdf_shape, artwork_shapes()))).encode("ascii")
    page = f"/Type /Page /Parent 2 0 R /MediaBox [0 0 {size:.4f} {size:.4f}] /Resources << >> /Contents 4 0 R"
    objects = (
        b"<< /Type /Catalog /Pages 2 0 R >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        f"<< {page} >>".encode("ascii"),
        f"<< /Length {len(drawn)} >>\nstream\n".encode() + drawn + b"\nendstream",
        f"<< /Title ({_title(mirrored=mirrored)}) >>".encode("ascii"),
    )
    made, places = b"%PDF-1.4\n", []
    for number, content in enumerate(objects, start=1):
        places.append(len(made))
        made += f"{number} 0 obj\n".encode() + content + b"\nendobj\n"
    table = "".join(f"{place:010d} 00000 n \n" for place in places)
    count = len(objects) + 1
    return made + (
        f"xref\n0 {count}\n0000000000 65535 f \n{table}"
        f"trailer\n<< /Size {count} /Root 1 0 R /Info 5 0 R >>\nstartxref\n{len(made)}\n%%EOF\n"
    ).encode("ascii")


def _upright(unit: float, size: float) -> str:
    return f"{unit:.6f} 0 0 {-unit:.6f} 0 {size:.4f} cm"


def _title(*, mirrored: bool) -> str:
    return f"Test image for coupons, {SIDE:g} x {SIDE:g} mm" + (", mirrored" if mirrored else "")


def _svg_shape(shape: Shape) -> str:
    if isinstance(shape, Box):
        return (
            f'<rect x="{shape.left:.6g}" y="{shape.top:.6g}" width="{shape.width:.6g}" height="{shape.height:.6g}" '
            f'fill="{shape.colour}"/>'
        )
    path = "L".join(f"{x:.6g} {y:.6g}" for x, y in shape.points)
    return f'<path d="M{path}" stroke="{_BLACK}" stroke-width="{shape.width:.4g}"/>'


def _pdf_shape(shape: Shape) -> str:
    if isinstance(shape, Box):
        shares = (int(shape.colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
        colour = " ".join(f"{share:.4f}" for share in shares)
        return f"{colour} rg {shape.left:.5f} {shape.top:.5f} {shape.width:.5f} {shape.height:.5f} re f"
    (x, y), *rest = shape.points
    path = " ".join(f"{x:.5f} {y:.5f} l" for x, y in rest)
    return f"{shape.width:.4f} w {x:.5f} {y:.5f} m {path} S"


def _text(text: str, left: float, top: float, height: float) -> Iterator[Stroke]:
    """Letters of our own, which need no font."""
    grid = height / _CAPITAL
    for place, letter in enumerate(text):
        for line in _STROKES[letter].split("/") if letter != " " else ():
            points = tuple(
                (left + (5.8 * place + int(at[0])) * grid, top + (_CAPITAL - int(at[1])) * grid) for at in line.split()
            )
            yield Stroke(points, 0.14 * height)


def _head() -> Iterator[Shape]:
    """Which way is up, and the place for the coupon's code: a frame with nothing in it."""
    yield Stroke(((2.5, 7.0), (5.0, 2.5), (7.5, 7.0)), 0.8)
    yield from _text("UP", 9.0, 3.0, 4.0)
    yield from _text("80 X 80 MM", 2.5, 10.5, 2.0)
    left, top, width, height = CODE_PLACE
    for box in ((left, top, width, 0.4), (left, top + height - 0.4, width, 0.4)):
        yield Box(*box)
    for box in ((left, top, 0.4, height), (left + width - 0.4, top, 0.4, height)):
        yield Box(*box)
    yield from _text("COUPON", 28.5, 12.0, 1.6)


def _solids() -> Iterator[Shape]:
    """A large one to bend and stretch, small ones of other colours; the white one has a frame to be found by."""
    yield Box(2.0, 16.0, 30.0, 20.0)
    for place, colour in enumerate(_SOLIDS):
        left, top = 34.0 + 11.25 * (place % 4), 16.0 + 10.5 * (place // 4)
        if colour == _WHITE:
            yield Box(left, top, 10.25, 9.5)
            yield Box(left + 0.4, top + 0.4, 9.45, 8.7, _WHITE)
        else:
            yield Box(left, top, 10.25, 9.5, colour)


def _lines_and_gaps() -> Iterator[Shape]:
    """Bent lines, so that each runs along and across the print, and the same widths left bare in a solid."""
    yield from _text("LINES MM", 2.0, 38.0, 1.6)
    for place, width in enumerate(WIDTHS):
        y, x = _TOP + 0.5 + _PITCH * place, 37.0 - _PITCH * place
        yield from _text(f"{width:.1f}", 2.0, y - 0.6, 1.2)
        yield Stroke(((7.0, y), (x, y), (x, _TOP + 17.0)), width)
    yield from _text("GAPS MM", 42.0, 38.0, 1.6)
    at = 0.0
    for width in (0.0, *WIDTHS):  # the gap above a band
        if width:
            yield from _text(f"{width:.1f}", 42.0, _TOP + at + width / 2 - 0.6, 1.2)
        at += width + _BAND
        y, x = _TOP + at - _BAND / 2, 77.0 - at + _BAND / 2
        yield Stroke(((47.0, y), (x, y), (x, _TOP + 17.0)), _BAND)


def _letters() -> Iterator[Shape]:
    top = 59.4
    for height in LETTERS:
        yield from _text(f"{height:.1f}", 2.0, top + (height - 1.2) / 2, 1.2)
        yield from _text(SAMPLE, 7.0, top, height)
        top += height + 0.8


def _dots() -> Iterator[Shape]:
    """Single dots: what a halftone of pale colours is made of, and what holds worst."""
    for place, width in enumerate(WIDTHS):
        x = 58.0 + 2.95 * place
        yield from _text(f"{width:.1f}", x, 59.6, 0.8)
        for row in range(3):
            for column in range(2):
                yield Box(x + 1.4 * column, 61.8 + 2.4 * row, width, width)


def _ramps() -> Iterator[Shape]:
    """Gradients in steps too small to see; each is painted a little under the next, so that no seam shows."""
    for left, first, last in _RAMPS:
        step = 37.0 / _RAMP_STEPS
        for place in range(_RAMP_STEPS):
            share = place / (_RAMP_STEPS - 1)
            width = step if place == _RAMP_STEPS - 1 else 1.5 * step
            yield Box(left + step * place, 71.6, width, 3.6, _between(first, last, share))


def _between(first: str, last: str, share: float) -> str:
    ends = ((int(first[i : i + 2], 16), int(last[i : i + 2], 16)) for i in (1, 3, 5))
    return "#" + "".join(f"{round(a + share * (b - a)):02x}" for a, b in ends)


def _scale() -> Iterator[Shape]:
    """A length to hold a ruler against: a print that was fitted to its page shows here."""
    yield Box(2.0, 77.8, 50.0, 0.4)
    for place in range(6):
        yield Box(1.9 + 10.0 * place, 76.5, 0.2, 1.7)
    yield from _text("50 MM", 54.5, 76.4, 1.8)
