"""Writing a file whole or not at all."""

from __future__ import annotations

from pathlib import Path

from doe.domain.errors import InputError
from doe.files import placed_whole


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
    try:
        with placed_whole(target, replaces=True) as beside:
            beside.write_bytes(data)
    except OSError as error:
        raise InputError(
            str(target),
            error.strerror or str(error),
            "a place that can be written",
            "Close the file if it is open elsewhere, or choose another folder.",
        ) from error
    return target
