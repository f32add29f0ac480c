"""What a command shows: one reply, as text of 80 columns or as one JSON object; and one form for every error."""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, TextIO

from rich.box import Box
from rich.console import Console
from rich.table import Table as RichTable
from rich.text import Text

from doe.domain.errors import DoeError, InputError, InputErrors
from doe.domain.jsonable import jsonable

WIDTH = 80


@dataclass(frozen=True)
class Table:
    """Rows under headings. ``right`` lists the headings whose column holds numbers."""

    columns: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]
    title: str = ""
    right: tuple[str, ...] = ()


@dataclass(frozen=True)
class Warn:
    """A sentence that must not be overlooked."""

    text: str


@dataclass(frozen=True)
class Commands:
    """Command lines to copy; long ones are continued with a backslash where the shell takes one."""

    lines: Sequence[str]


Block = str | Warn | Table | Commands


@dataclass(frozen=True)
class Reply:
    """What a command has to say.

    Parameters
    ----------
    data : mapping
        The facts, for ``--json``.
    blocks : sequence of Block
        The same for a person, top to bottom. The first line answers.
    next_steps : sequence of str
        Commands or acts that usually come next.
    exit_code : int
        1 only for a check that found problems.
    """

    data: Mapping[str, Any]
    blocks: Sequence[Block] = ()
    next_steps: Sequence[str] = field(default_factory=tuple)
    exit_code: int = 0


def show_reply(reply: Reply, *, as_json: bool) -> None:
    """Print a reply on standard output."""
    if as_json:
        print_json({"ok": reply.exit_code == 0, **jsonable(reply.data), "next": list(reply.next_steps)})
        return
    for block in reply.blocks:
        if isinstance(block, Table):
            print_table(block)
        elif isinstance(block, Commands):
            for line in block.lines:
                print("\n".join(f"  {part}" for part in folded(line)))
        elif isinstance(block, Warn):
            say(f"! {block.text}", indent="  ", style="33")
        else:
            say(block)
    if reply.next_steps:
        say("")
        say("Next:")
        for step in reply.next_steps:
            print("\n".join(f"  {part}" for part in folded(step)))  # it is there to be copied


def print_json(data: Mapping[str, Any]) -> None:
    """One JSON object on standard output."""
    print(json.dumps(data, ensure_ascii=not _takes_unicode(sys.stdout), indent=2, allow_nan=False))


def say(text: str, *, indent: str = "", style: str = "", stream: TextIO | None = None) -> None:
    """Print text wrapped to the width; ``indent`` is for the lines after the first."""
    stream = stream or sys.stdout
    width = line_width()
    for paragraph in text.split("\n"):
        words = paragraph.lstrip()
        hanging = indent or " " * (len(paragraph) - len(words) + (2 if words[:2] in ("+ ", "- ", "* ") else 0))
        lines = textwrap.wrap(
            paragraph, width, subsequent_indent=hanging, break_long_words=False, break_on_hyphens=False
        )
        for line in lines or [""]:
            print(coloured(line, style, stream), file=stream)


def print_table(table: Table) -> None:
    """Print a table; columns of text fold when it would be wider than the terminal."""
    # a single rule under the headings reads well in any font and in a log
    box = Box("    \n    \n ---\n    \n    \n    \n    \n    \n", ascii=True)
    grid = RichTable(
        box=box,
        title=table.title or None,
        title_justify="left",
        title_style="bold",
        header_style="bold",
        pad_edge=False,
        show_edge=False,
    )
    for name in table.columns:
        right = name in table.right
        grid.add_column(Text(name), justify="right" if right else "left", no_wrap=right, overflow="fold")
    for row in table.rows:
        grid.add_row(*(Text(cell) for cell in row))
    console = Console(width=line_width(), highlight=False, no_color=not wants_colour(sys.stdout), file=sys.stdout)
    with console.capture() as caught:
        console.print(grid)
    print()
    for line in caught.get().splitlines():
        print(line.rstrip())


def folded(line: str, *, continued: bool = os.name != "nt") -> list[str]:
    """Command line on several lines, broken before its options; on one where the shell has no backslash for it."""
    if not continued or len(line) <= WIDTH - 4:
        return [line]
    lines: list[str] = []
    first, *options = re.split(r" (?=--[a-z])", line)
    current = first
    for option in options:
        if len(current) + len(option) > WIDTH - 7:
            lines.append(f"{current} \\")
            current = f"  {option}"
        else:
            current += f" {option}"
    return [*lines, current]


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
            {"where": p.where, "found": str(p.found), "allowed": p.allowed, "remedy": p.remedy}
            for p in problems
            if isinstance(p, InputError)
        ],
    }


def show_error(lines: Sequence[str], data: Mapping[str, Any], *, as_json: bool) -> None:
    """Every error a person sees: one line each on standard error, and one JSON object when asked for."""
    for line in lines:
        one_line = " ".join(line.split())
        print(coloured(one_line, "31", sys.stderr), file=sys.stderr)
    if as_json:
        print_json(data)


def _takes_unicode(stream: TextIO) -> bool:
    return (stream.encoding or "").lower().replace("-", "") == "utf8"
