"""Putting a file in its place whole or not at all, on the disk before anybody says so."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

STALE_SECONDS = 3600
"""A part this old was left by a program that was killed; a younger one may still be being written."""


@contextmanager
def placed_whole(target: Path, *, replaces: bool) -> Iterator[Path]:
    """Give an empty file beside a place to write to, and move it there at the end.

    What was written is flushed to the disk before the move, and the folder after it: once this has ended, the file
    survives a power cut. If anything goes wrong, what was there stays as it was. A missing folder is made. Parts that
    killed programs left behind for the same place are removed.

    Parameters
    ----------
    target : Path
    replaces : bool
        Whether a file that is there is replaced; else it is refused.

    Raises
    ------
    OSError
        As the system says it.
    """
    folder = target.parent
    made = [up for up in (folder, *folder.parents) if not up.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    stem = f".{target.name[:40]}."
    _clean(folder, stem)
    mode = target.stat().st_mode & 0o777 if target.exists() else _usual_mode()
    # the same folder, hence the same disk: only then is the move one step
    handle, name = tempfile.mkstemp(dir=folder, prefix=stem, suffix=".part")
    os.close(handle)
    beside = Path(name)
    try:
        yield beside
        with beside.open("rb+") as file:
            os.fsync(file.fileno())
        beside.chmod(mode)
        if target.exists() and not replaces:
            raise FileExistsError(17, "a file of that name is there by now", str(target))
        beside.replace(target)
        for up in (folder, *(up.parent for up in made)):
            flush_folder(up)
    finally:
        with suppress(OSError):  # gone after the move, which is the usual case
            beside.unlink(missing_ok=True)


def flush_folder(folder: Path) -> None:
    """Have the names in a folder on the disk; Windows, which cannot, keeps them in order by itself."""
    if hasattr(os, "O_DIRECTORY"):
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _clean(folder: Path, stem: str) -> None:
    for left in folder.glob("*.part*"):
        with suppress(OSError):  # another program may be doing the same
            if left.name.startswith(stem) and is_stale(left):
                left.unlink()


def is_stale(left: Path) -> bool:
    """Whether a part, or a folder of parts, was left by a program that was killed."""
    return time.time() - left.stat().st_mtime > STALE_SECONDS


def _usual_mode() -> int:
    """Permissions of a new file; a temporary one is private, which would lock out the rest of the shop."""
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
