"""Photos of coupons inside a page: turned upright, made small, and only as many as keep the page light."""

from __future__ import annotations

import io
from base64 import b64encode
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from PIL import Image, ImageOps, UnidentifiedImageError

LONGEST, QUALITY = 480, 72
"""Longest side in pixels and JPEG quality: a hand-sized coupon still shows grain and haze."""

MOST_BYTES = 1_500_000
"""Photos in one page, together."""

_FACES = {"print": "print side", "back": "back"}


@dataclass(frozen=True)
class CouponPhoto:
    """A photo as it travels in a page: ``coupon``, ``face`` in words, ``address`` that holds the small JPEG."""

    coupon: str
    face: str
    address: str


def small_jpeg(image: bytes) -> bytes | None:
    """Photo turned as it was taken, at most `LONGEST` pixels long, as JPEG without any tags (no place, no camera).

    None if it cannot be read as a picture: a page is made all the same.
    """
    try:
        with Image.open(io.BytesIO(image)) as opened:
            upright = ImageOps.exif_transpose(opened).convert("RGB")
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None
    upright.thumbnail((LONGEST, LONGEST))
    buffer = io.BytesIO()
    upright.save(buffer, "JPEG", quality=QUALITY, optimize=True)
    return buffer.getvalue()


def photos_for_page(
    wanted: Iterable[tuple[str, str, Callable[[], bytes]]], *, most_bytes: int = MOST_BYTES
) -> tuple[tuple[CouponPhoto, ...], int]:
    """Photos that travel in a page, and how many were left out because it would grow too heavy.

    Parameters
    ----------
    wanted : iterable of (coupon, face, load)
        ``load`` is called only while there is room.
    most_bytes : int
        Of the photos together, as they stand in the page.
    """
    # the first of every coupon before the second of any: light pages show every coupon once
    turns: Counter[str] = Counter()
    ranked = []
    for photo in wanted:
        ranked.append((turns[photo[0]], photo))
        turns[photo[0]] += 1
    kept: list[CouponPhoto] = []
    used, left = 0, 0
    for _, (coupon, face, load) in sorted(ranked, key=lambda each: each[0]):
        jpeg = None if used >= most_bytes else small_jpeg(load())
        address = "" if jpeg is None else f"data:image/jpeg;base64,{b64encode(jpeg).decode('ascii')}"
        if not address or used + len(address) > most_bytes:
            left += 1
            continue
        used += len(address)
        kept.append(CouponPhoto(coupon, _FACES.get(face, face), address))
    return tuple(kept), left
