"""QR codes are read back with a decoder that has nothing to do with what wrote them (zxing-cpp, tests only)."""

from __future__ import annotations

import re

import numpy as np
import pytest
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.domain.errors import InputError
from reports.drawing.qr import QUIET, qr_modules, qr_svg


def painted(svg: str, pixels: int = 5) -> np.ndarray:
    """The SVG's dark runs as a grey picture, read from the markup itself."""
    size = int(re.search(r'viewBox="0 0 (\d+)', svg)[1])
    image = np.full((size, size), 255, dtype=np.uint8)
    for x, y, run in re.findall(r"M(\d+) (\d+)h(\d+)v1h-\d+z", svg.split('fill="#000"')[1]):
        image[int(y), int(x) : int(x) + int(run)] = 0
    return image.repeat(pixels, 0).repeat(pixels, 1)


def read(svg: str) -> list[str]:
    return [found.text for found in zxingcpp.read_barcodes(painted(svg), formats=zxingcpp.BarcodeFormat.QRCode)]


@pytest.mark.parametrize(
    "text", ["R1-01", "http://192.168.1.20:8731/coupon/12/R2-07", "Größe 148 °C, Schnürlsamt", "x" * 400]
)
def test_a_code_says_what_was_put_in(text):
    assert read(str(qr_svg(text, name="q"))) == [text]


@settings(max_examples=15, deadline=None)
@given(st.text(alphabet=st.characters(codec="ascii", exclude_categories=["C", "Z"]), min_size=1, max_size=80))
def test_any_printable_text_is_read_back(text):
    assert read(str(qr_svg(text, name="q"))) == [text]


def test_the_quiet_zone_is_part_of_the_drawing():
    image = painted(str(qr_svg("R1-01", name="q")), pixels=1)
    assert len(image) == len(qr_modules("R1-01")) + 2 * QUIET
    assert (image[:QUIET] == 255).all()
    assert (image[:, -QUIET:] == 255).all()


@pytest.mark.parametrize("text", ["", "x" * 401, "é" * 201])
def test_texts_that_do_not_fit_are_refused(text):
    with pytest.raises(InputError, match="allowed: 1 to 400 bytes"):
        qr_svg(text, name="q")


def test_the_text_alternative_says_what_the_code_says():
    assert '<title id="q-title">QR code: &lt;R1&gt;</title>' in qr_svg("<R1>", name="q")
    assert "page of coupon R1-01</title>" in qr_svg("R1-01", name="q", title="page of coupon R1-01")
