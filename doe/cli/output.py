"""What a command shows: one reply, as text of 80 columns or as one JSON object."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from rich.box import Box
from rich.console import Console
from rich.table import Table as RichTable
from rich.text import Text

from doe.cli.terminal import WIDTH, line_width, print_json, say, wants_colour
from doe.domain.jsonable import jsonable


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
                _print_command(line)
        elif isinstance(block, Warn):
            say(f"! {block.text}", indent="  ", style="33")
        else:
            say(block)
    if reply.next_steps:
        say("")
        say("Next:")
        for step in reply.next_steps:
            _print_command(step)


def _print_command(line: str) -> None:
    """A command line as it is copied: not wrapped, but continued where the shell takes that."""
    print("\n".join(f"  {part}" for part in folded(line)))


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
