from __future__ import annotations

import io
import re
from itertools import pairwise
from xml.etree import ElementTree

import pytest
from pypdf import PdfReader

from reports.sheet.artwork import (
    CODE_PLACE,
    LETTERS,
    SIDE,
    WIDTHS,
    Box,
    Stroke,
    artwork_pdf,
    artwork_shapes,
    artwork_svg,
)

MM = 72 / 25.4
SVG = "{http://www.w3.org/2000/svg}"


def reach(shape: Box | Stroke) -> tuple[float, float, float, float]:
    """Left, top, right, bottom in mm."""
    if isinstance(shape, Box):
        return shape.left, shape.top, shape.left + shape.width, shape.top + shape.height
    xs, ys = zip(*shape.points, strict=True)
    half = shape.width / 2
    return min(xs) - half, min(ys) - half, max(xs) + half, max(ys) + half


def bends(left: float) -> list[Stroke]:
    """Lines that run across and then down, beginning at a place."""
    return [s for s in artwork_shapes() if isinstance(s, Stroke) and len(s.points) == 3 and s.points[0][0] == left]


def operators(**how: bool) -> str:
    content = PdfReader(io.BytesIO(artwork_pdf(**how)), strict=True).pages[0].get_contents()
    assert content is not None
    return content.get_data().decode("ascii")


def test_everything_lies_on_the_image():
    for shape in artwork_shapes():
        left, top, right, bottom = reach(shape)
        assert 0 < left < right < SIDE, shape
        assert 0 < top < bottom < SIDE, shape


def test_lines_have_the_widths_that_stand_beside_them_along_and_across():
    lines = bends(7.0)
    assert [line.width for line in lines] == list(WIDTHS)
    for first, second in pairwise(lines):
        assert second.points[0][1] - first.points[0][1] > (first.width + second.width) / 2
        assert first.points[2][0] - second.points[2][0] > (first.width + second.width) / 2


def test_gaps_have_the_same_widths_and_nothing_is_painted_in_them():
    bands = bends(47.0)
    across = [(b.points[0][1] - b.width / 2) - (a.points[0][1] + a.width / 2) for a, b in pairwise(bands)]
    down = [(a.points[2][0] - a.width / 2) - (b.points[2][0] + b.width / 2) for a, b in pairwise(bands)]
    assert across == pytest.approx(WIDTHS)
    assert down == pytest.approx(WIDTHS)
    white = [s for s in artwork_shapes() if isinstance(s, Box) and s.colour == "#ffffff" and s.left > 45 and s.top > 40]
    assert not white


def test_small_letters_are_as_high_as_is_said():
    strokes = [s for s in artwork_shapes() if isinstance(s, Stroke)]
    for height in LETTERS:
        row = [
            s for s in strokes if s.width == pytest.approx(0.14 * height) and reach(s)[0] >= 6.5 and reach(s)[1] > 59
        ]
        ys = [y for s in row for _, y in s.points if s.points[0][0] < 57]
        assert max(ys) - min(ys) == pytest.approx(height)


def test_the_place_for_the_code_is_free():
    left, top, width, height = CODE_PLACE
    for shape in artwork_shapes():
        x0, y0, x1, y1 = reach(shape)
        inside = x0 < left + width - 0.4 and x1 > left + 0.4 and y0 < top + height - 0.4 and y1 > top + 0.4
        assert not inside, shape


def test_svg_is_well_formed_of_its_true_size_and_needs_no_font():
    root = ElementTree.fromstring(artwork_svg())
    assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("80mm", "80mm", "0 0 80 80")
    assert {e.tag.removeprefix(SVG) for e in root.iter()} == {"svg", "title", "g", "rect", "path"}
    assert len(root.findall(f".//{SVG}rect") + root.findall(f".//{SVG}path")) == len(artwork_shapes())
    assert not re.search(r"href|url\(|font", artwork_svg())


def test_pdf_is_of_its_true_size_and_needs_no_font():
    found = PdfReader(io.BytesIO(artwork_pdf()), strict=True)
    assert len(found.pages) == 1
    box = found.pages[0].mediabox
    assert [float(box.width) / MM, float(box.height) / MM] == pytest.approx([SIDE, SIDE], abs=1e-4)
    assert not found.pages[0]["/Resources"]
    drawn = operators()
    assert drawn.count(" re f") + drawn.count(" S") == len(artwork_shapes())
    assert not re.search(r"\bT[fj]\b", drawn)


def test_the_mirrored_image_is_the_other_one_turned_left_to_right():
    plain, turned = (ElementTree.fromstring(artwork_svg(mirrored=m)) for m in (False, True))
    groups = [root.find(f"{SVG}g") for root in (plain, turned)]
    assert [g is not None and g.get("transform") for g in groups] == ["matrix(1 0 0 1 0 0)", "matrix(-1 0 0 1 80 0)"]
    first, second = (["".join(ElementTree.tostring(e, "unicode")) for e in g or ()] for g in groups)
    assert first == second
    (head, *rest), (turned_head, *turned_rest) = operators().splitlines(), operators(mirrored=True).splitlines()
    assert rest == turned_rest
    a, b, c, d, x, y = map(float, head.split()[:6])
    ma, mb, mc, md, mx, my = map(float, turned_head.split()[:6])
    assert (b, c, mb, mc) == (0, 0, 0, 0)
    for left in (0.0, 13.0, SIDE):
        assert ma * left + mx == pytest.approx(SIDE * MM - (a * left + x), abs=1e-3)
        assert (d * left + y, d) == pytest.approx((md * left + my, md))
