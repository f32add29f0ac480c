"""What every act needs: names of keys and kinds, version, seeds, the reader's clock, names of files."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, date, datetime
from functools import cache
from hashlib import sha256
from zlib import crc32

Progress = Callable[[float], None]
Key = str | int

DISTRIBUTION = "first-article-tuning"
FIT, RECOMMEND = "fit", "recommend"
"""Kinds of analyses kept in the book."""

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""Environment variables that tell linear algebra, when it is loaded, how many threads to take."""

PRIOR, WITHOUT_PRIOR = "prior knowledge", "without prior knowledge"
"""Kinds of analyses: the earlier coupons with their discount, and the answer that does without them."""

SHOP = "shop"
"""Kind of analyses: what earlier studies of the shop lend to a study, from when somebody asked for it."""


@cache
def version() -> str:
    """Version of this program, kept with every analysis."""
    from importlib import metadata  # noqa: PLC0415 - a fifth of the time of `doe --help`, which shows no version

    try:
        return metadata.version(DISTRIBUTION)
    except metadata.PackageNotFoundError:  # run from a folder that was never installed
        return "not installed"


def digest(data: object) -> str:
    """SHA-256 of anything JSON takes, and of times, the same for equal contents."""
    return sha256(json.dumps(data, sort_keys=True, default=datetime.isoformat).encode()).hexdigest()


def usual_seed(name: str, given: int | None = None) -> int:
    """The seed that was given, else that of a study: the same for the same name, so that nothing depends on luck."""
    return crc32(name.encode()) % 100_000 if given is None else given


def today() -> date:
    """The day asked about when none is named, on the clock the book keeps."""
    return datetime.now(UTC).date()


def slug(name: str) -> str:
    """Name as part of a file name on any system."""
    words = "".join(c if c.isalnum() and c.isascii() else "-" for c in name.lower())
    return "-".join(part for part in words.split("-") if part)[:60] or "study"
