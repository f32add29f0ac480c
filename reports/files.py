"""Writing a file whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from doe.domain.errors import InputError


def refuse_folder(path: Path, example: str = "") -> None:
    """Refuse a place that is a folder; asked before the work where something is kept on the way.

    Raises
    ------
    InputError
        If it is one.
    """
    if path.is_dir():
        remedy = f"Add a file name, such as {example}." if example else "Add a file name."
        raise InputError(str(path), "a folder", "the name of a file", remedy)


def write_whole(path: str | Path, content: str | bytes) -> Path:
    """Write a file beside its place, then move it there, so that nobody ever sees half of it.

    Text is written as UTF-8 with the line ends it has. An older file of that name is replaced; if anything
    goes wrong it stays as it was. The folder is made when it is missing.

    Parameters
    ----------
    path : str or Path
        Where the file goes.
    content : str or bytes

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If the place cannot be written: a folder, read-only, full, or open in another program.
    """
    target = Path(path)
    data = content.encode("utf-8") if isinstance(content, str) else content
    refuse_folder(target)
    beside: Path | None = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        mode = target.stat().st_mode & 0o777 if target.exists() else None
        # the same folder, hence the same disk: only then is the move one step
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name[:40]}.", suffix=".part")
        beside = Path(name)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        beside.chmod(mode if mode is not None else _usual_mode())
        beside.replace(target)
    except OSError as error:
        raise InputError(
            str(target),
            error.strerror or str(error),
            "a place that can be written",
            "Close the file if it is open elsewhere, or choose another folder.",
        ) from error
    finally:
        if beside is not None:
            with contextlib.suppress(OSError):  # gone after the move, which is the usual case
                beside.unlink(missing_ok=True)
    return target


def _usual_mode() -> int:
    """Permissions of a new file; a temporary one is private, which would lock out the rest of the shop."""
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
