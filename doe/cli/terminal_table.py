"""A table as lines of text, as wide as the terminal at most.

Ours: loading a library that draws tables takes longer than the whole of what `doe study list` does.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from unicodedata import combining, east_asian_width

from doe.cli.terminal import coloured, line_width

_BETWEEN, _CLOSE = "   ", "  "
"""What stands between columns, the second where the first leaves too little room."""

_NARROWEST = 4
"""Columns of the terminal that a folded column of text keeps."""


def table_lines(
    heads: Sequence[str], rows: Sequence[Sequence[str]], *, is_right: Sequence[bool], title: str = ""
) -> list[str]:
    """Title, headings, a rule and the rows.

    Columns with ``is_right`` hold numbers and are not folded; of the others the widest give way until the table fits.
    """
    cells = [[_printable(cell) for cell in row] for row in (heads, *rows)]
    widths = [max(_width(line) for row in cells for line in row[j].split("\n")) for j in range(len(heads))]
    gaps = len(heads) - 1
    between = _BETWEEN if sum(widths) + len(_BETWEEN) * gaps <= line_width() else _CLOSE
    room = line_width() - len(between) * gaps
    while sum(widths) > room:
        widest = max((j for j in range(len(widths)) if not is_right[j]), key=widths.__getitem__, default=None)
        if widest is None or widths[widest] <= _NARROWEST:
            break  # too many numbers for this terminal: wider than it, but whole
        widths[widest] -= 1
    lines = [_row(row, widths, is_right, between) for row in cells]
    rule = "-" * (sum(widths) + len(between) * gaps)
    bold = [coloured(line, "1", sys.stdout) for line in (*([title] if title else []), *lines[0])]
    return [*bold, rule, *(line for row in lines[1:] for line in row)]


def _row(row: Sequence[str], widths: Sequence[int], is_right: Sequence[bool], between: str) -> list[str]:
    """The lines that one row takes."""
    parts = [_folded(cell, width) for cell, width in zip(row, widths, strict=True)]
    made = []
    for i in range(max(map(len, parts))):
        line = []
        for part, width, right in zip(parts, widths, is_right, strict=True):
            text = part[i] if i < len(part) else ""
            blank = " " * (width - _width(text))
            line.append(blank + text if right else text + blank)
        made.append(between.join(line).rstrip())
    return made


def _folded(cell: str, width: int) -> list[str]:
    """A cell on lines of that width, broken between words, and inside one only where it is wider than that."""
    lines = []
    for paragraph in cell.split("\n"):
        line = ""
        for word in paragraph.split(" "):
            longer = f"{line} {word}" if line else word
            if line and _width(longer) > width:
                lines.append(line)
                longer = word
            while _width(longer) > width:
                fits = next(n for n in range(len(longer), 0, -1) if _width(longer[:n]) <= width or n == 1)
                lines.append(longer[:fits])
                longer = longer[fits:]
            line = longer
        lines.append(line)
    return lines


def _width(text: str) -> int:
    """Columns that a text takes: two for a wide letter, none for an accent of its own."""
    if text.isascii():
        return len(text)
    return sum(0 if combining(letter) else 2 if east_asian_width(letter) in "WF" else 1 for letter in text)


def _printable(text: str) -> str:
    """Nothing that moves the cursor or changes a colour."""
    return "".join(letter for letter in text if letter.isprintable() or letter == "\n")
