"""What is sent to the page never takes it more than 400 MB, Python, its libraries and the page included."""

from __future__ import annotations

import io
import re
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import httpx2
import numpy as np
import pytest
from PIL import Image

from doe.bench.guard import PHOTO_BYTES
from doe.bench.photos import LONGEST_SIDE, clean_photo
from tests.bench.process import Running, running
from tests.bench.shop import Device

MOST_MB = 400

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the most memory is read from /proc")


def file(size: tuple[int, int], kind: str, mode: str = "RGB", *, bytes_more: int = 0, **more: object) -> bytes:
    """A picture in one colour, with nothing after it up to a size."""
    made = io.BytesIO()
    Image.new(mode, size).save(made, kind, **more)
    return made.getvalue() + bytes(bytes_more)


def noisy(size: tuple[int, int], kind: str, **more: object) -> bytes:
    """A picture that hardly packs: a quarter of a million grains, again and again."""
    grains = np.random.default_rng(8).integers(0, 256, (500, 500, 3), dtype=np.uint8)
    made = io.BytesIO()
    again = np.tile(grains, (-(-size[1] // 500), -(-size[0] // 500), 1))[: size[1], : size[0]]
    Image.fromarray(again).save(made, kind, **more)
    return made.getvalue()


LARGEST = {
    "JPEG, 64 megapixels": lambda: file((8000, 8000), "JPEG"),
    "JPEG, as many bytes as a post may have": lambda: file((8000, 8000), "JPEG", bytes_more=PHOTO_BYTES - 2_000_000),
    "JPEG, grains": lambda: noisy((8000, 8000), "JPEG", quality=40),
    "JPEG, long and narrow": lambda: file((20_000, 3_199), "JPEG"),
    "JPEG, four inks": lambda: file((20_000, 3_199), "JPEG", "CMYK"),
    "JPEG, four inks, square": lambda: file((8000, 8000), "JPEG", "CMYK"),
    "JPEG, progressive": lambda: file((4100, 3040), "JPEG", progressive=True),
    "JPEG, progressive, too large": lambda: file((8000, 8000), "JPEG", progressive=True),
    "PNG": lambda: noisy((4100, 2400), "PNG", compress_level=1),
    "PNG, seen through": lambda: file((4100, 3040), "PNG", "RGBA", compress_level=1),
    "PNG, table of colours": lambda: file((4100, 3040), "PNG", "P", transparency=0),
    "PNG, 64 megapixels": lambda: file((8000, 8000), "PNG", "L"),
    "WebP": lambda: file((3200, 2490), "WEBP", "RGBA", lossless=True, method=0),
    "WebP, 64 megapixels": lambda: file((8000, 8000), "WEBP", method=0),
}
REFUSED = {"JPEG, progressive, too large", "PNG, 64 megapixels", "WebP, 64 megapixels"}


def most_mb(page: Running) -> float:
    """Most memory that the page had, in MB."""
    told = Path(f"/proc/{page.process.pid}/status").read_text()
    (found,) = re.findall(r"^VmHWM:\s+(\d+) kB$", told, re.MULTILINE)
    return int(found) / 1024


@pytest.mark.in_file("about the page's memory, whatever its book")
def test_the_largest_pictures_that_may_be_sent_take_little_memory(book_with: Callable[[int | None], Path]) -> None:
    with (
        running(book_with(0), anew=True) as page,
        httpx2.Client(base_url=page.address, follow_redirects=True, timeout=120) as client,
    ):
        own = Device(client)  # type: ignore[arg-type] # a client over the network for one within the test
        own.send(own.get("/"), "/name", typed="ana")
        for number, (name, make) in enumerate(LARGEST.items(), start=1):
            coupon = f"R1-{number:02d}"
            answer = own.send(
                own.get(f"/c/1/{coupon}"), f"/photo/1/{coupon}", files={"photo": ("x.jpg", make())}, face="print"
            )
            assert answer.status_code == (422 if name in REFUSED else 200), (name, answer.text[-500:])
            assert most_mb(page) < MOST_MB, name
        form = own.get("/c/1/R1-01").text
        said: list[int] = []

        def send(face: str) -> None:
            class Page:
                text = form

            source = {"photo": ("x.jpg", LARGEST["WebP"]())}
            said.append(own.send(Page, "/photo/1/R1-01", files=source, face=face).status_code)

        together = [threading.Thread(target=send, args=(face,)) for face in ("back", "print", "back")]
        for one in together:
            one.start()
        for one in together:
            one.join()
        assert len(said) == len(together)
        assert most_mb(page) < MOST_MB, "several at once"
        print(f"{most_mb(page):.0f} MB")


@pytest.mark.parametrize("size", [(20_000, 3_199), (10_600, 6_000), (8000, 8000), (3_199, 20_000), (1_600, 20_000)])
def test_a_large_jpeg_of_any_shape_is_kept_as_sharp_as_one_that_is_decoded_whole(size: tuple[int, int]) -> None:
    image = Image.open(io.BytesIO(clean_photo(io.BytesIO(file(size, "JPEG")))))
    assert max(image.size) == LONGEST_SIDE
    assert min(image.size) == pytest.approx(min(size) * LONGEST_SIDE / max(size), abs=2)
