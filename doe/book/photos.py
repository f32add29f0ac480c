"""Photos of coupons, kept as they are given."""

from __future__ import annotations

import hashlib

import sqlalchemy as sa

from doe.book.records import FACES, Photo
from doe.book.store import Store, records, standing
from doe.book.studies import Key, find_open, found
from doe.book.tables import coupons, photos
from doe.domain.errors import InputError

LARGEST, MOST = 4_000_000, 12
"""Bytes of one photo, and photos of one coupon that count."""

_STARTS = {"image/jpeg": b"\xff\xd8\xff", "image/png": b"\x89PNG\r\n\x1a\n"}
_STANDING = (
    standing(photos)
    .add_columns(coupons.c.name.label("coupon"), coupons.c.study_id)
    .join(coupons, photos.c.coupon_id == coupons.c.id)
)
_OF_STUDY = _STANDING.where(coupons.c.study_id == sa.bindparam("study"))


class Photos(Store):
    """The part of the book about photos."""

    def add_photo(self, key: Key, coupon: str, image: bytes, *, face: str, media_type: str) -> int:
        """Keep a JPEG or PNG of one face (print, back) of a coupon as it is given; returns its id.

        At most 4 MB each and 12 a coupon; the very same photo again adds nothing.

        Raises
        ------
        InputError
            If there is no such coupon, the photo is too large or of another kind, or the coupon has enough.
        """
        with self.writing() as writing:
            row = find_open(writing.connection, key)
            where = f"photo of {coupon}"
            coupon_id = writing.connection.scalar(
                sa.select(coupons.c.id).where(coupons.c.study_id == row.study_id, coupons.c.name == coupon)
            )
            if coupon_id is None:
                raise InputError(where, "no such coupon", f"a coupon of {row.name}", "Check its name on the sheet.")
            if face not in FACES:
                raise InputError(f"{where}, face", repr(face), " or ".join(FACES), "Say which face it shows.")
            start = _STARTS.get(media_type)
            if start is None or not image.startswith(start):
                raise InputError(where, f"no {media_type}", "a JPEG or PNG image", "Take the photo again.")
            if len(image) > LARGEST:
                raise InputError(
                    where, f"{len(image) / 1e6:.1f} MB", f"at most {LARGEST / 1e6:g} MB", "Make it smaller."
                )
            digest = hashlib.sha256(image).hexdigest()
            there = [photo for photo in self.photos(key, coupon) if not photo.withdrawn]
            for photo in there:
                if photo.sha256 == digest and photo.face == face:
                    return photo.id
            if len(there) >= MOST:
                raise InputError(where, f"{len(there)} photos", f"at most {MOST}", "Withdraw one first.")
            values = {"face": face, "media_type": media_type, "sha256": digest, "size": len(image), "image": image}
            act = writing.act("add photo", coupon, study_id=row.study_id)
            return writing.add(photos, {"coupon_id": coupon_id, **values}, act)

    def photos(self, key: Key, coupon: str | None = None) -> tuple[Photo, ...]:
        """Photos of a study or of one coupon, the withdrawn ones too, in the order they were stored."""

        def read(connection: sa.Connection) -> tuple[Photo, ...]:
            return records(Photo, connection.execute(_OF_STUDY, {"study": found(self, key).study_id}))

        every = self.kept(("photos", key), ("photos", "rest"), read)
        return every if coupon is None else tuple(photo for photo in every if photo.coupon == coupon)

    def photo_image(self, photo_id: int) -> bytes:
        """The picture of a photo."""
        query = sa.select(photos.c.image).where(photos.c.id == photo_id, photos.c.withdraws.is_(None))
        with self.reading() as connection:
            image = connection.scalar(query)
        if image is None:
            raise InputError(f"photo {photo_id}", "no such photo", "a photo of the book", "Look up its number.")
        return bytes(image)

    def withdraw_photo(self, photo_id: int, why: str) -> None:
        """Take a photo back; it stays in the book."""
        with self.writing() as writing:
            row, ending = writing.to_withdraw(photos, "photo", photo_id, why, _STANDING)
            act = writing.act("withdraw photo", row.coupon, study_id=row.study_id, why=why)
            # the picture itself stays in the row it came with
            writing.add(photos, {**ending, "size": 0, "image": b""}, act)
