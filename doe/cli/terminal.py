"""Lines on a terminal: their width and colour, one JSON object, and one form for every error."""

from __future__ import annotations

import json
import os
import shutil
import sys
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any, TextIO

from doe.domain.errors import DoeError, InputError, InputErrors
from doe.domain.jsonable import named

WIDTH, HEIGHT = 80, 24
"""Columns and lines of the smallest terminal in use: what a command says without ``--more`` fits."""


class Stopped(Exception):
    """A person stopped a command; ``stored`` says how many times it had stored something by then."""

    def __init__(self, stored: int) -> None:
        super().__init__(stored)
        self.stored = stored


JSON_FORMAT = 2
"""Rises when a name that programs may read goes or means something else; new names may come at any time."""


def print_json(data: Mapping[str, Any]) -> None:
    """One JSON object on standard output."""
    print(
        json.dumps(
            {"format": JSON_FORMAT, **data}, ensure_ascii=not _takes_unicode(sys.stdout), indent=2, allow_nan=False
        )
    )


def say(text: str, *, indent: str = "", style: str = "", stream: TextIO | None = None) -> None:
    """Print text wrapped to the width; ``indent`` is for the lines after the first."""
    stream = stream or sys.stdout
    for line in wrapped(text, indent):
        print(coloured(line, style, stream), file=stream)


def wrapped(text: str, indent: str = "") -> list[str]:
    """Lines of a text at the width of the terminal."""
    made: list[str] = []
    for paragraph in text.split("\n"):
        words = paragraph.lstrip()
        hanging = indent or " " * (len(paragraph) - len(words) + (2 if words[:2] in ("+ ", "- ", "* ") else 0))
        lines = textwrap.wrap(
            paragraph, line_width(), subsequent_indent=hanging, break_long_words=False, break_on_hyphens=False
        )
        made += lines or [""]
    return made


def line_width() -> int:
    """Columns to fill: 80, or fewer in a narrow terminal."""
    return max(40, min(WIDTH, shutil.get_terminal_size((WIDTH, 24)).columns))


def wants_colour(stream: TextIO) -> bool:
    """Whether colour may be used: a terminal, and NO_COLOR not set."""
    return not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb" and stream.isatty()


def coloured(text: str, style: str, stream: TextIO) -> str:
    """Text in an ANSI style where the stream shows it."""
    return f"\x1b[{style}m{text}\x1b[0m" if style and wants_colour(stream) else text


def error_lines(error: DoeError) -> list[str]:
    """One line for each problem; the first ten and a count when there are more."""
    return [line for line in str(error).split("\n") if line.strip()]


def error_data(error: DoeError) -> dict[str, Any]:
    """The facts of an error for ``--json``."""
    problems = error.problems if isinstance(error, InputErrors) else (error,)
    return {
        "ok": False,
        "error": "input" if isinstance(error, InputError) else "refused",
        "message": error_lines(error)[0],
        "problems": [
            {**named(p, "where", "allowed", "remedy"), "found": str(p.found)}
            for p in problems
            if isinstance(p, InputError)
        ],
    }


def show_error(lines: Sequence[str], data: Mapping[str, Any] | None) -> None:
    """Every error a person sees: one line each on standard error, and one JSON object when asked for."""
    for line in lines:
        print(coloured(" ".join(line.split()), "31", sys.stderr), file=sys.stderr)
    if data is not None:
        print_json(data)


def _takes_unicode(stream: TextIO) -> bool:
    return (stream.encoding or "").lower().replace("-", "") == "utf8"
