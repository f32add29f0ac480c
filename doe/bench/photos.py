"""Photos as they come from a phone, made small and clean before they are kept."""

from __future__ import annotations

from io import BytesIO
from typing import BinaryIO

from PIL import Image, ImageOps, UnidentifiedImageError

from doe.domain.errors import InputError

FORMATS = ("JPEG", "PNG", "WEBP")
"""What is decoded at all. Phones that keep photos in another format send JPEG to a web page."""
MOST_PIXELS = 64_000_000
"""Pixels of a picture that is decoded small at once, line by line: a JPEG that is not progressive. Larger ones are
refused by their head, before a pixel is decoded."""
MOST_WHOLE_PIXELS = 12_500_000
"""Pixels of any other picture: it is decoded whole, in four bytes a pixel, some of them twice."""
MOST_WEBP_PIXELS = 8_000_000
"""Pixels of a WebP: its decoder keeps several pictures of that size."""
MOST_SIDE = 20_000
"""Pixels of a side: a picture of one column takes more for its rows than for its pixels."""
LONGEST_SIDE = 1600
QUALITY = 85


def clean_photo(source: BinaryIO) -> bytes:
    """A photo as a JPEG of at most 1600 pixels a side, without any of the data a camera adds.

    The picture is turned upright first, then only its pixels are kept: no place, time, device or preview. The very
    same file gives the very same bytes, so that a photo sent twice is known again.

    Parameters
    ----------
    source : binary file
        Not trusted: whatever was sent.

    Returns
    -------
    bytes

    Raises
    ------
    InputError
        If it is no picture of a known kind, has more pixels than can be decoded with little memory, or is broken.
    """
    try:
        with Image.open(source, formats=FORMATS) as image:
            width, height = image.size
            is_drawn_small = image.format in ("JPEG", "MPO") and not image.info.get("progressive")
            most_whole = MOST_WEBP_PIXELS if image.format == "WEBP" else MOST_WHOLE_PIXELS
            most = MOST_PIXELS if is_drawn_small else most_whole
            if width * height > most or max(width, height) > MOST_SIDE:
                raise _too_many(f"{width} x {height} pixels", most)
            image.draft("RGB", _least_size(width, height))  # a JPEG is decoded small at once
            if image.width * image.height > MOST_WHOLE_PIXELS:
                raise _too_many(f"{width} x {height} pixels", MOST_WHOLE_PIXELS)
            if image.mode not in ("RGB", "RGBA", "L"):  # colours of a table cannot be averaged
                plain = image.convert("RGBA" if image.has_transparency_data else "RGB")
                plain.info["exif"] = image.info.get("exif", b"")
            else:
                plain = image
            turn = image.getexif()
            plain.thumbnail((LONGEST_SIDE, LONGEST_SIDE), Image.Resampling.LANCZOS)
            small = _on_white(plain)
            small.getexif().update(turn)
            small = ImageOps.exif_transpose(small)
            # a new picture of the pixels only: whatever else came along stays behind
            bare = Image.frombytes("RGB", small.size, small.tobytes())
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise _too_many("a picture of a hundred megapixels or more", MOST_PIXELS) from error
    except UnidentifiedImageError as error:
        raise InputError(
            "photo", "a file that is no photo", "a JPEG, PNG or WebP picture", "Take the photo with the camera."
        ) from error
    except InputError:
        raise
    except (OSError, SyntaxError, ValueError, ArithmeticError, IndexError, KeyError, EOFError, MemoryError) as error:
        # what decoders answer to broken or hostile files
        raise InputError("photo", "a broken picture", "a whole one", "Take the photo again.") from error
    made = BytesIO()
    bare.save(made, "JPEG", quality=QUALITY, optimize=True)
    return made.getvalue()


def _least_size(width: int, height: int) -> tuple[int, int]:
    """How large a JPEG must be when it is decoded by a whole fraction, an eighth at the least.

    Both sides are still the longest ones of what is kept, unless a long and narrow picture would be too large so.
    """
    reached = min(width, height) // LONGEST_SIDE
    fraction = next((part for part in (8, 4, 2) if part <= reached), 1)
    if width * height <= MOST_WHOLE_PIXELS * fraction**2:
        return LONGEST_SIDE, LONGEST_SIDE
    share = LONGEST_SIDE / max(width, height)
    return max(1, int(width * share)), max(1, int(height * share))


def _too_many(found: str, most: int) -> InputError:
    allowed = f"at most {most // 1_000_000} megapixels, {MOST_SIDE} a side"
    return InputError("photo", found, allowed, "Choose a smaller picture size in the camera.")


def _on_white(image: Image.Image) -> Image.Image:
    """The picture in plain colours; what can be seen through becomes white."""
    if image.mode == "RGB":
        return image
    if image.has_transparency_data:
        over = image.convert("RGBA")
        ground = Image.new("RGBA", over.size, "white")
        ground.alpha_composite(over)
        return ground.convert("RGB")
    return image.convert("RGB")
