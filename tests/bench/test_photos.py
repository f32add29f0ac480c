"""Photos: made small and clean, known again, limited, and nothing else taken for one."""

from __future__ import annotations

import io
import re
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from doe.bench.photos import LONGEST_SIDE, MOST_PIXELS, clean_photo
from doe.domain.errors import InputError
from tests.bench.shop import STUDY

GPS, ORIENTATION, MAKER = 0x8825, 0x0112, 0x010F


def picture(size: tuple[int, int] = (400, 300), kind: str = "JPEG", mode: str = "RGB", **more) -> io.BytesIO:
    """A picture whose left half is red and whose right half is blue."""
    image = Image.new("RGB", size, "blue")
    image.paste("red", (0, 0, size[0] // 2, size[1]))
    made = io.BytesIO()
    image.convert(mode).save(made, kind, **more)
    made.seek(0)
    return made


def spied() -> io.BytesIO:
    """A photo that tells where and with what it was taken, lying on its side."""
    exif = Image.Exif()
    exif[MAKER] = "SECRET CAMERA"
    exif[ORIENTATION] = 6  # to be turned a quarter clockwise
    exif.get_ifd(GPS)[1] = "N"
    exif.get_ifd(GPS)[2] = (48.0, 12.0, 30.0)
    return picture(exif=exif, comment=b"SECRET COMMENT")


def test_only_the_pixels_are_kept_and_they_stand_upright():
    source = spied()
    assert b"SECRET CAMERA" in source.getvalue()
    made = clean_photo(source)
    for secret in (b"SECRET", b"Exif", b"http", b"Photoshop", b"ICC_PROFILE"):
        assert secret not in made
    image = Image.open(io.BytesIO(made))
    assert image.format == "JPEG"
    assert not image.getexif()
    assert image.size == (300, 400)
    # red lay left; turned a quarter clockwise it lies on top
    red, _, blue = image.getpixel((150, 20))
    assert red > 200
    assert blue < 60
    red, _, blue = image.getpixel((150, 380))
    assert blue > 200


def test_the_same_file_gives_the_same_bytes():
    assert clean_photo(spied()) == clean_photo(spied())


@pytest.mark.parametrize(
    ("kind", "mode"),
    [("JPEG", "L"), ("JPEG", "CMYK"), ("PNG", "RGBA"), ("PNG", "P"), ("PNG", "1"), ("PNG", "I;16"), ("WEBP", "RGB")],
)
def test_every_usual_kind_of_picture_is_taken(kind, mode):
    source = picture(kind=kind, mode="L" if mode == "I;16" else mode)
    if mode == "I;16":
        source = io.BytesIO()
        Image.fromarray(np.full((30, 40), 60000, dtype=np.uint16)).save(source, "PNG")
        source.seek(0)
    image = Image.open(io.BytesIO(clean_photo(source)))
    assert image.mode == "RGB"


def test_what_can_be_seen_through_becomes_white():
    source = io.BytesIO()
    Image.new("RGBA", (20, 20), (255, 0, 0, 0)).save(source, "PNG")
    source.seek(0)
    assert min(Image.open(io.BytesIO(clean_photo(source))).getpixel((10, 10))) > 250


def test_a_photo_of_two_pictures_in_one_file_gives_the_first():
    source = io.BytesIO()
    one, two = Image.new("RGB", (64, 48), "red"), Image.new("RGB", (64, 48), "blue")
    one.save(source, "MPO", save_all=True, append_images=[two])
    source.seek(0)
    red, _, blue = Image.open(io.BytesIO(clean_photo(source))).getpixel((30, 20))
    assert (red > 200, blue < 60) == (True, True)


def test_a_photo_of_forty_megapixels_becomes_small():
    source = picture((7300, 5500))
    image = Image.open(io.BytesIO(clean_photo(source)))
    assert max(image.size) == LONGEST_SIDE
    assert image.size[0] / image.size[1] == pytest.approx(7300 / 5500, rel=0.01)


def png_head(width: int, height: int) -> bytes:
    """A PNG that claims to be as large as this, with next to nothing in it."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 1000)) + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("size", [(8001, 8000), (9500, 9500), (20_000, 20_000), (65_000, 65_000), (2**31 - 1, 1)])
def test_a_picture_that_would_swell_up_is_refused_by_its_head(size):
    assert size[0] * size[1] > MOST_PIXELS
    with pytest.raises(InputError, match=r"at most (64|12) megapixels, 20000 a side"):
        clean_photo(io.BytesIO(png_head(*size)))


@pytest.mark.parametrize(
    ("size", "kind", "more"),
    [((4000, 3200), "PNG", {}), ((4000, 3200), "WEBP", {"method": 0}), ((4000, 3200), "JPEG", {"progressive": True})],
)
def test_what_must_be_decoded_whole_may_have_fewer_pixels(size, kind, more):
    with pytest.raises(InputError, match=f"at most {8 if kind == 'WEBP' else 12} megapixels"):
        clean_photo(picture(size, kind, **more))


def test_a_picture_of_one_column_is_refused():
    with pytest.raises(InputError, match="20000 a side"):
        clean_photo(picture((1, 30_000), "PNG"))


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the most memory is read from /proc")
@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_the_largest_picture_takes_little_memory(kind, tmp_path):
    more = {"lossless": True, "method": 0} if kind == "WEBP" else {"compress_level": 1}
    Image.new("RGBA", (2600, 3000) if kind == "WEBP" else (4100, 3000), (1, 2, 3, 100)).save(
        tmp_path / "large", kind, **more
    )
    # a fresh process: what the tests themselves have used does not count
    script = (
        "import sys; from doe.bench.photos import clean_photo; clean_photo(open(sys.argv[1], 'rb'));"
        "print(next(line for line in open('/proc/self/status') if line.startswith('VmHWM')).split()[1])"
    )
    words = [sys.executable, "-c", script, str(tmp_path / "large")]
    done = subprocess.run(words, check=True, capture_output=True, text=True)
    assert int(done.stdout) / 1024 < 300  # MB, Python and its libraries included


def test_a_small_file_that_swells_up_while_it_is_read_is_refused():
    # text chunks and pixels may be packed a thousandfold; both are limited
    data = zlib.compress(b"\0" * 50_000_000)
    bomb = png_head(4, 4)[:33] + struct.pack(">I", len(data) + 10) + b"zTXtsecret\0\0" + data[:10]
    with pytest.raises(InputError):
        clean_photo(io.BytesIO(bomb))


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"not a picture",
        b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>",
        b"GIF89a" + b"\0" * 50,
        b"\xff\xd8\xff\xe0" + b"\0" * 100,
        b"\x89PNG\r\n\x1a\n",
        b"%PDF-1.4",
        b"<html><script>alert(1)</script>",
        b"RIFF\x10\0\0\0WEBPVP8 ",
    ],
)
def test_what_is_no_photo_is_refused(data):
    with pytest.raises(InputError, match="photo"):
        clean_photo(io.BytesIO(data))


def test_a_cut_off_photo_is_refused():
    whole = picture().getvalue()
    with pytest.raises(InputError, match="broken"):
        clean_photo(io.BytesIO(whole[: len(whole) // 2]))


def test_kinds_that_are_not_asked_for_are_not_decoded():
    for kind in ("BMP", "TIFF", "GIF", "PPM"):
        with pytest.raises(InputError, match="no photo"):
            clean_photo(picture(kind=kind))


# on the page


def send(device, source, *, name: str = "x.jpg", face: str = "back", coupon: str = "R1-03"):
    page = device.get(f"/c/1/{coupon}")
    files = {"photo": (name, source, "image/jpeg")}
    return device.send(page, f"/photo/1/{coupon}", files=files, face=face)


def test_a_photo_is_kept_with_its_coupon_and_shown_on_every_device(desk):
    page = send(desk.device("ana"), spied())
    assert "The photo is kept." in page.text
    (kept,) = desk.book.photos(STUDY, "R1-03")
    assert (kept.face, kept.who, kept.media_type) == ("back", "ana", "image/jpeg")
    other = desk.device("ben")
    link = re.search(r'<img src="(/photo/1/\d+)"', other.get("/c/1/R1-03").text)
    assert link is not None
    answer = other.get(link[1])
    assert answer.headers["content-type"] == "image/jpeg"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert b"SECRET" not in answer.content
    assert Image.open(io.BytesIO(answer.content)).size == (300, 400)


def test_the_same_photo_again_adds_nothing_also_after_a_restart(desk_with, tmp_path):
    desk = desk_with(0)
    device = desk.device("ana")
    send(device, spied())
    send(device, spied())
    again = desk_with(path=desk.place)
    send(again.device("ana"), spied())
    assert len(again.book.photos(STUDY, "R1-03")) == 1


@pytest.mark.parametrize(
    "name", ["<script>alert(1)</script>.jpg", "../../etc/passwd", "..\\..\\x.exe", "a\0b.jpg", "x" * 500, '"; x="']
)
def test_the_name_of_a_file_is_used_for_nothing(desk, name):
    page = send(desk.device("ana"), picture(), name=name)
    assert page.status_code in (200, 400)
    assert "alert" not in page.text
    assert "passwd" not in page.text
    for act in desk.book.audit(None):
        assert "passwd" not in f"{act.subject}{act.why}"


def test_a_fake_photo_is_refused_in_one_line_and_the_form_comes_back(desk):
    page = send(desk.device("ana"), io.BytesIO(b"<html><script>alert(1)</script>"))
    assert page.status_code == 422
    assert "a file that is no photo; allowed: a JPEG, PNG or WebP picture." in page.text
    assert 'class="score"' in page.text
    assert desk.book.photos(STUDY) == ()


def test_no_file_a_wrong_face_and_too_many_photos_are_refused(desk):
    device = desk.device("ana")
    page = device.send(device.get("/c/1/R1-03"), "/photo/1/R1-03", face="print")
    assert "Choose or take a photo first." in page.text
    assert send(device, picture(), face="../x").status_code == 422
    for number in range(12):
        assert send(device, picture((100 + number, 80))).status_code == 200
    page = send(device, picture((300, 80)))
    assert page.status_code == 422
    assert "at most 12" in page.text


def test_a_photo_is_taken_back_with_a_reason_and_no_longer_shown(desk):
    device = desk.device("ana")
    send(device, picture())
    (kept,) = desk.book.photos(STUDY, "R1-03")
    device.send(device.get("/undo/1/R1-03"), "/undo/1/R1-03", what=f"photo:{kept.id}", reason="wrong coupon")
    assert desk.book.photos(STUDY, "R1-03")[0].withdrawn == "wrong coupon"
    assert device.get(f"/photo/1/{kept.id}").status_code == 404
    assert "<img" not in device.get("/c/1/R1-03").text


def test_a_photo_can_be_asked_for_only_through_its_own_study(desk):
    device = desk.device("ana")
    send(device, picture())
    (kept,) = desk.book.photos(STUDY)
    record = desk.book.study(STUDY)
    from dataclasses import replace

    other = desk.book.add_study(replace(record.study, name="other"), stack=record.stack.name, line=record.line.name)
    assert device.get(f"/photo/{other}/{kept.id}").status_code == 404
    assert device.get("/photo/1/999").status_code == 404
    assert device.get("/photo/1/..%2f1").status_code in (404, 405)
    assert desk.device().client.get(f"/photo/1/{kept.id}", follow_redirects=False).status_code == 303  # not paired
