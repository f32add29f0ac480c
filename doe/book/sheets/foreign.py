"""Reading a sheet of coupons made and scored elsewhere, with headings of its own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from doe.book.sheets.columns import ColumnUse, guess_uses
from doe.book.sheets.workbook import SheetFile, read_sheets
from doe.domain.errors import InputError
from doe.domain.study import Study

_HEADING_ROWS = 40


@dataclass(frozen=True)
class ForeignSheet:
    """A sheet with headings of its own.

    Parameters
    ----------
    name : str
        File, and sheet when there are several.
    headings : tuple of str
        One a column, each once: a missing one reads ``column C``, a second one ``wash (2)``.
    rows : DataFrame of str
        Cells below the headings, ``""`` where empty; the index is the row number in the file.
    dialect : str
        How the file was read, in words.
    odd : mapping of (row number, heading) to str
        Cells with a date, an error or a formula without a result, and which of these.
    notes : tuple of str
        What was left out.
    """

    name: str
    headings: tuple[str, ...]
    rows: pd.DataFrame
    dialect: str
    odd: Mapping[tuple[int, str], str]
    notes: tuple[str, ...] = ()


def read_foreign(path: str | Path, *, sheet_title: str | None = None) -> ForeignSheet:
    """Read a sheet (.xlsx or .csv) whose headings are not ours.

    In a workbook the first sheet with a row of headings is taken, or the one named. The row of headings is the first
    one that is about as wide as the rows below it and holds words rather than numbers.

    Parameters
    ----------
    path : str or Path
    sheet_title : str, optional
        Sheet of the workbook to take.

    Raises
    ------
    InputError
        If the file cannot be read, or has no row of headings with rows below it, or no sheet of that title.
    """
    sheets = read_sheets(path)
    titles = [s.title for s in sheets]
    if sheet_title is not None and sheet_title not in titles:
        raise InputError(
            Path(path).name,
            f"no sheet '{sheet_title}'",
            ", ".join(titles) or "a text file has no sheets",
            "Name a sheet that is there.",
        )
    asked = [s for s in sheets if sheet_title in (None, s.title)]
    sheet, top = next(((s, row) for s in asked if (row := _heading_row(s)) is not None), (asked[0], None))
    if top is None:
        raise InputError(
            sheet.name,
            f"no row of headings ({sheet.dialect})",
            "one row of headings above one row a coupon",
            "Put the name of each setting and score at the top of its column.",
        )
    rest = [title for title in titles if title != sheet.title]
    notes = (f"Only '{sheet.title}' was read, not {', '.join(rest)}.",) if rest else ()
    below = range(top + 1, len(sheet.rows))
    width = max(len(sheet.rows[i]) for i in (top, *below))
    headings = _headings(sheet.rows[top], width)
    rows = pd.DataFrame(
        [[sheet.cell(i, j) for j in range(width)] for i in below],
        columns=list(headings),
        index=pd.Index([sheet.numbers[i] for i in below], name="row"),
        dtype=object,
    )
    odd = {(sheet.numbers[i], headings[j]): words for (i, j), words in sheet.odd.items() if i > top}
    return ForeignSheet(sheet.name, headings, rows, sheet.dialect, odd, notes)


def _heading_row(sheet: SheetFile) -> int | None:
    widths = sorted(sum(bool(c) for c in row) for row in sheet.rows)
    usual = widths[len(widths) // 2]
    for i, row in enumerate(sheet.rows[:_HEADING_ROWS]):
        filled = [c for c in row if c]
        wordy = sum(not _is_number(c) for c in filled)
        if len(filled) >= max(2, 0.6 * usual) and wordy >= 0.8 * len(filled) and i + 1 < len(sheet.rows):
            return i
    return None


def _is_number(text: str) -> bool:
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True


def _headings(row: tuple[str, ...], width: int) -> tuple[str, ...]:
    headings: list[str] = []
    for j in range(width):
        base = row[j] if j < len(row) and row[j] else f"column {j + 1}"
        name, n = base, 1
        while name in headings:
            n += 1
            name = f"{base} ({n})"
        headings.append(name)
    return tuple(headings)


def guess_mapping(sheet: ForeignSheet, study: Study) -> dict[str, ColumnUse]:
    """What each column of a foreign sheet is likely used for, to be shown to a person before it is used.

    Names are matched loosely, units are read from the headings (``Press °F``, ``dwell sec``). A temperature column
    without a unit is guessed to be Fahrenheit when its numbers are out of every Celsius range here.

    Returns
    -------
    dict of heading to ColumnUse
        Every heading of the sheet; ``ColumnUse("ignore")`` for what is not understood. No use occurs twice.
    """
    numbers = {h: [_number(t) for t in sheet.rows[h] if _is_number(t)] for h in sheet.headings}
    return guess_uses(sheet.headings, study, numbers)


def _number(text: str) -> float:
    return float(text.replace(",", "."))
