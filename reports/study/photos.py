"""Photos of coupons inside a page: turned upright, made small, and only as many as keep the page light."""

from __future__ import annotations

import io
from base64 import b64encode
from collections.abc import Callable, Iterable, Sequence
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
        The most telling first; ``load`` is called only while there is room.
    most_bytes : int
        Of the photos together, as they stand in the page.
    """
    kept: list[CouponPhoto] = []
    used, left = 0, 0
    for coupon, face, load in wanted:
        jpeg = None if used >= most_bytes else small_jpeg(load())
        if jpeg is None:
            left += 1
            continue
        address = f"data:image/jpeg;base64,{b64encode(jpeg).decode('ascii')}"
        if used + len(address) > most_bytes:
            left += 1
            continue
        used += len(address)
        kept.append(CouponPhoto(coupon, _FACES.get(face, face), address))
    return tuple(kept), left


def first_of_each(photos: Sequence[tuple[str, str, Callable[[], bytes]]]) -> list[tuple[str, str, Callable[[], bytes]]]:
    """The same photos, the first of every coupon before the second of any: light pages show every coupon once."""
    seen: dict[str, int] = {}
    ranked = []
    for place, photo in enumerate(photos):
        turn = seen.get(photo[0], 0)
        seen[photo[0]] = turn + 1
        ranked.append((turn, place, photo))
    return [photo for _, _, photo in sorted(ranked, key=lambda each: each[:2])]


__all__ = ["LONGEST", "MOST_BYTES", "CouponPhoto", "first_of_each", "photos_for_page", "small_jpeg"]
