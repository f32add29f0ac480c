"""Photos of coupons, kept as they are given."""

from __future__ import annotations

import hashlib
from typing import Any
from uuid import uuid4

import sqlalchemy as sa

from doe.book.records import FACES, Photo
from doe.book.store import Writing, new_id
from doe.book.studies import Key, find, find_open
from doe.book.tables import acts, coupons, photos
from doe.book.text import moment_of
from doe.domain.errors import InputError

LARGEST, MOST = 4_000_000, 12
"""Bytes of one photo, and photos of one coupon that count."""

_STARTS = {"image/jpeg": b"\xff\xd8\xff", "image/png": b"\x89PNG\r\n\x1a\n"}


def add(writing: Writing, key: Key, coupon: str, image: bytes, *, face: str, media_type: str) -> int:
    """Keep a photo, once; returns its id.

    Raises
    ------
    InputError
        If there is no such coupon, the photo is too large or of another kind, or the coupon has enough.
    """
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
        raise InputError(where, f"{len(image) / 1e6:.1f} MB", f"at most {LARGEST / 1e6:g} MB", "Make it smaller.")
    digest = hashlib.sha256(image).hexdigest()
    there = [p for p in all_of(writing.connection, key, coupon) if not p.withdrawn]
    for photo in there:
        if photo.sha256 == digest and photo.face == face:
            return photo.id
    if len(there) >= MOST:
        raise InputError(where, f"{len(there)} photos", f"at most {MOST}", "Withdraw one first.")
    act = writing.act("add photo", coupon, rows=1, study_id=row.study_id)
    values = {"face": face, "media_type": media_type, "sha256": digest, "size": len(image), "image": image}
    return new_id(
        writing.connection, photos.insert().values(uid=uuid4().hex, coupon_id=coupon_id, act_id=act, **values)
    )


def withdraw(writing: Writing, photo_id: int, why: str) -> None:
    """Take a photo back; it stays in the book.

    Raises
    ------
    InputError
        If there is no such photo, it is withdrawn already, or there is no why.
    """
    where = f"photo {photo_id}"
    row = writing.connection.execute(
        sa.select(photos, coupons.c.name, coupons.c.study_id, _gone().label("gone"))
        .join(coupons, photos.c.coupon_id == coupons.c.id)
        .where(photos.c.id == photo_id, photos.c.withdraws.is_(None))
    ).one_or_none()
    if row is None or row.gone:
        found = "no such photo" if row is None else "a photo that is withdrawn already"
        raise InputError(where, found, "a photo that counts", "Look up its number.")
    if not why.strip():
        raise InputError(where, "no reason", "a reason", "Say why it does not count.")
    act = writing.act("withdraw photo", row.name, rows=1, study_id=row.study_id, why=why)
    # the picture itself stays in the row it came with
    again = {name: row._mapping[name] for name in ("coupon_id", "face", "media_type", "sha256")}
    writing.connection.execute(
        photos.insert().values(uid=uuid4().hex, size=0, image=b"", withdraws=photo_id, act_id=act, **again)
    )


def all_of(connection: sa.Connection, key: Key, coupon: str | None = None) -> tuple[Photo, ...]:
    """Photos of a study, or of one of its coupons, in the order they were stored, without the pictures."""
    row = find(connection, key)
    columns = [c for c in photos.columns if c.name != "image"]
    query = (
        sa.select(*columns, coupons.c.name.label("coupon"), acts.c.who, acts.c.at, acts.c.why)
        .join(coupons, photos.c.coupon_id == coupons.c.id)
        .join(acts, photos.c.act_id == acts.c.id)
        .where(coupons.c.study_id == row.study_id)
        .order_by(photos.c.id)
    )
    if coupon is not None:
        query = query.where(coupons.c.name == coupon)
    rows = connection.execute(query).all()
    gone: dict[Any, str] = {kept.withdraws: kept.why for kept in rows if kept.withdraws is not None}
    return tuple(
        Photo(
            kept.id,
            kept.coupon,
            kept.face,
            kept.media_type,
            kept.size,
            kept.sha256,
            kept.who,
            moment_of(kept.at),
            gone.get(kept.id, ""),
        )
        for kept in rows
        if kept.withdraws is None
    )


def image_of(connection: sa.Connection, photo_id: int) -> bytes:
    """The picture of a photo."""
    image = connection.scalar(sa.select(photos.c.image).where(photos.c.id == photo_id, photos.c.withdraws.is_(None)))
    if image is None:
        raise InputError(f"photo {photo_id}", "no such photo", "a photo of the book", "Look up its number.")
    return bytes(image)


def _gone() -> sa.ColumnElement[bool]:
    later = photos.alias("later_photos")
    return sa.exists().where(later.c.withdraws == photos.c.id)
