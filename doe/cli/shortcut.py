"""A file for the desktop that opens the whole job with two taps, on Linux, macOS and Windows."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Sequence
from pathlib import Path

from doe.domain.errors import InputError
from reports.files import write_whole

NAME = "Transfer settings"


def shortcut_text(platform: str, words: Sequence[str]) -> tuple[str, str]:
    """File name and text of a shortcut that runs a command line.

    Parameters
    ----------
    platform : str
        As `sys.platform` says it.
    words : sequence of str
        The command line, its program first.

    Raises
    ------
    InputError
        If a word holds what a line of a file cannot.
    """
    for word in words:
        if not word.isprintable() or (platform == "win32" and '"' in word):
            raise InputError("--shortcut", repr(word), "names on one line", "Give the book or folder a plain name.")
    if platform == "win32":
        line = " ".join('"' + word.replace("%", "%%") + '"' for word in words)
        return f"{NAME}.cmd", f"@echo off\r\nchcp 65001 >nul\r\n{line}\r\nif errorlevel 1 pause\r\n"
    if platform == "darwin":
        return f"{NAME}.command", f"#!/bin/sh\nexec {shlex.join(words)}\n"
    entry = {"Type": "Application", "Name": NAME, "Exec": _exec(words), "Terminal": "true", "Categories": "Office;"}
    lines = "".join(f"{key}={value}\n" for key, value in entry.items())
    return "transfer-settings.desktop", f"[Desktop Entry]\n{lines}"


def _exec(words: Sequence[str]) -> str:
    """A command line as a desktop entry has it (Desktop Entry Specification 1.5, key Exec): quoted, then escaped."""
    quoted = ("".join(f"\\{c}" if c in '"`$\\' else c for c in word) for word in words)
    return " ".join(f'"{word}"' for word in quoted).replace("\\", "\\\\").replace("%", "%%")


def write_shortcut(folder: Path, book: str) -> Path:
    """Write the shortcut of this machine into a folder; ``book`` is where the book is, a file or an address.

    Raises
    ------
    InputError
        If the folder is none, or cannot be written to.
    """
    if not folder.is_dir():
        raise InputError("--shortcut", str(folder), "a folder, such as the desktop", "Name one that is there.")
    # named in full: what a terminal knows (DOE_BOOK, the folder it is in) a desktop does not
    place = book if "://" in book else str(Path(book).absolute())
    name, text = shortcut_text(sys.platform, (sys.executable, "-m", "doe.cli", "open", "--book", place))
    made = write_whole(folder / name, text)
    made.chmod(0o755)
    return made
