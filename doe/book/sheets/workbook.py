"""Reading a workbook or CSV of unknown make into text cells, with what could not be read as text kept beside them."""

from __future__ import annotations

import codecs
import csv
import io
import warnings
import zipfile
from collections import Counter
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass, field
from datetime import date, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doe.domain.errors import InputError

if TYPE_CHECKING:
    from openpyxl.cell.read_only import EmptyCell, ReadOnlyCell

MAX_BYTES = 20_000_000
MAX_UNPACKED = 60_000_000
MAX_TAGS = 100_000
"""Of all parts that are no sheet and no text: formats and such are kept whole, each a hundredfold of its bytes."""
MAX_ROWS, MAX_COLUMNS, MAX_CELLS = 20_000, 500, 1_000_000
HEADING_ROWS = 40
"""Rows among which the row of headings is looked for."""

_TEXT_SUFFIXES, _BOOK_SUFFIXES = (".csv", ".tsv", ".txt"), (".xlsx", ".xlsm")
_OLD_OFFICE = b"\xd0\xcf\x11\xe0"
_NEW_FILE = "Write a new entry file and copy the entries into it."
_DELIMITERS = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar"}


@dataclass(frozen=True)
class SheetFile:
    """One sheet as text.

    Parameters
    ----------
    name : str
        File name, and the sheet when a workbook has several: how messages call it.
    title : str
        Name of the sheet in its workbook, ``""`` for text files.
    rows : tuple of tuple of str
        Cells without surrounding blanks, empty rows left out.
    numbers : tuple of int
        Row (or line) number in the file of each of ``rows``, from 1.
    dialect : str
        How it was read, in words.
    odd : mapping of (row, column) to str
        Cells that hold something a person did not type as text or number: a date, an error, a formula without a
        result. The words say what. Indices into ``rows``.
    formulas : frozenset of (row, column)
        Cells whose value is the stored result of a formula.
    """

    name: str
    title: str
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...]
    dialect: str
    odd: Mapping[tuple[int, int], str] = field(default_factory=dict)
    formulas: frozenset[tuple[int, int]] = frozenset()

    def cell(self, row: int, column: int) -> str:
        """Text of a cell, empty beyond the end of a short row."""
        cells = self.rows[row]
        return cells[column] if column < len(cells) else ""


def read_sheets(path: str | Path) -> tuple[SheetFile, ...]:
    """Every sheet of a file that holds anything.

    Raises
    ------
    InputError
        If there is no such file, it is not a sheet, it is damaged, too large, or empty.
    """
    file = Path(path)
    suffix = file.suffix.lower()
    if suffix not in _TEXT_SUFFIXES + _BOOK_SUFFIXES:
        raise InputError(file.name or "file", suffix or "no ending", ".xlsx or .csv", "Save the sheet as one of these.")
    try:
        if file.exists() and not file.is_file():  # reading a pipe or a device would never end
            raise InputError(str(file), "no plain file", "a file that can be read", "Check the name and the folder.")
        if file.stat().st_size > MAX_BYTES:
            raise InputError(
                file.name,
                f"{file.stat().st_size / 1e6:.0f} MB",
                f"at most {MAX_BYTES // 1_000_000} MB",
                "Keep only the sheet with the coupons.",
            )
        data = file.read_bytes()
    except OSError as error:
        raise InputError(
            str(file), error.strerror or str(error), "a file that can be read", "Check the name and the folder."
        ) from error
    sheets = _read_book(data, file.name) if suffix in _BOOK_SUFFIXES else (_read_text(data, file.name),)
    filled = tuple(sheet for sheet in sheets if sheet.rows)
    if not filled:
        raise InputError(file.name, "nothing in it", "a row of headings and rows of coupons", "Choose the filled file.")
    for sheet in filled:
        if len(sheet.rows) > MAX_ROWS or max(map(len, sheet.rows)) > MAX_COLUMNS:
            raise _too_large(sheet.name, len(sheet.rows), max(map(len, sheet.rows)))
    return filled


def _too_large(name: str, rows: int, columns: int) -> InputError:
    return InputError(
        name,
        f"{rows} rows, {columns} columns",
        f"at most {MAX_ROWS} rows, {MAX_COLUMNS} columns and {MAX_CELLS} cells",
        "Keep only the rows of the coupons, and delete stray cells far below or to the right.",
    )


def _read_text(data: bytes, name: str) -> SheetFile:
    if data.startswith((b"PK\x03\x04", _OLD_OFFICE)):
        raise InputError(name, "a workbook", "text with commas or semicolons", "Give it the ending .xlsx.")
    text, encoding = _decode(data, name)
    first, _, rest = text.partition("\n")
    if first.strip().strip('"').lower().startswith("sep=") and len(first.strip().strip('"')) == 5:
        # a line some spreadsheets put first to name the delimiter; kept empty so that line numbers stay right
        delimiter, text = first.strip().strip('"')[-1], "\n" + rest
    else:
        delimiter = _delimiter(text, name)
    rows, numbers = [], []
    for number, cells in _records(text, delimiter, name):
        stripped = _trim(cells)
        if stripped:
            rows.append(stripped)
            numbers.append(number)
    dialect = f"text ({encoding}), {_DELIMITERS.get(delimiter, delimiter)} between cells"
    return SheetFile(name, "", tuple(rows), tuple(numbers), dialect)


def _decode(data: bytes, name: str) -> tuple[str, str]:
    """Text and the name of its encoding. UTF-8 first: text of another encoding is hardly ever valid UTF-8."""
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encodings = ["utf-16"]
    elif data.startswith(codecs.BOM_UTF8):
        encodings = ["utf-8-sig"]
    elif b"\0" in data[:400]:
        # UTF-16 without its mark: the zero byte of each plain letter comes second or first
        encodings = ["utf-16-le" if data[:400].find(b"\0") % 2 else "utf-16-be"]
    else:
        encodings = ["utf-8", "cp1252"]
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text, encoding.upper()
    raise InputError(name, "bytes that are no text", "a CSV file, best in UTF-8", "Save the sheet again as CSV UTF-8.")


def _records(text: str, delimiter: str, name: str) -> list[tuple[int, list[str]]]:
    """Records with the line each starts on."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    records, start = [], 1
    try:
        for cells in reader:
            records.append((start, cells))
            start = reader.line_num + 1
    except csv.Error as error:
        raise InputError(
            f"{name}, row {start}", str(error), "cells between commas or semicolons", "Save it again as CSV."
        ) from error
    return records


def _delimiter(text: str, name: str) -> str:
    """Delimiter that gives most rows the same number of cells.

    A comma that is a decimal sign misses in the headings, so a semicolon file stays more even; on a tie the rarer
    sign wins (tab, semicolon before comma), as it is seldom there by chance.
    """
    evenness = {}
    for delimiter in _DELIMITERS:
        widths = Counter(len(cells) for _, cells in _records(text, delimiter, name) if any(c.strip() for c in cells))
        widths.pop(1, None)
        evenness[delimiter] = max(widths.values(), default=0)
    return max(evenness, key=lambda d: evenness[d]) if any(evenness.values()) else ","


def _trim(cells: list[str]) -> tuple[str, ...]:
    """Cells without blanks around them and without empty ones at the end."""
    stripped = [c.replace("\xa0", " ").replace("\ufeff", "").strip() for c in cells]
    while stripped and not stripped[-1]:
        stripped.pop()
    return tuple(stripped)


def _read_book(data: bytes, name: str) -> tuple[SheetFile, ...]:
    import openpyxl  # noqa: PLC0415 # slow to load, and most commands read no workbook

    if not data:
        return ()
    if data.startswith(_OLD_OFFICE):
        raise InputError(
            name, "an old workbook, or one with a password", "an .xlsx without password", "Save it again as .xlsx."
        )
    if not data.startswith(b"PK"):
        raise InputError(
            name, "something else under this ending", "an .xlsx workbook", "If it is text, give it the ending .csv."
        )
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            _check_parts(packed, name)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about decorations that do not matter here
            # row by row: what a sheet says of merged cells and links would be made cell by cell, however many it says
            values, formulas = (
                openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=stored) for stored in (True, False)
            )
            with closing(values), closing(formulas):
                several = len(values.worksheets) > 1
                return tuple(
                    _read_worksheet(sheet, formulas[sheet.title], f"{name}, sheet {sheet.title}" if several else name)
                    for sheet in values.worksheets
                )
    except InputError:
        raise
    except Exception as error:  # a damaged workbook fails in more ways than can be listed
        raise InputError(
            name, "a damaged workbook", "an .xlsx that opens", f"Open and save it again, or: {_NEW_FILE}"
        ) from error


def _check_parts(packed: zipfile.ZipFile, name: str) -> None:
    unpacked = sum(part.file_size for part in packed.infolist())
    if unpacked > MAX_UNPACKED:
        raise InputError(name, f"{unpacked / 1e6:.0f} MB unpacked", "a small workbook", "Keep only the coupons.")
    tags = 0
    for part in packed.infolist():
        if "worksheets/sheet" not in part.filename and "sharedStrings" not in part.filename:
            with packed.open(part) as opened:
                while piece := opened.read(1 << 16):
                    tags += piece.count(b"<")
    if tags > MAX_TAGS:
        raise InputError(name, f"{tags} formats and other parts", "a plain workbook", f"{_NEW_FILE}")


def _read_worksheet(values: Any, formulas: Any, name: str) -> SheetFile:  # no stub knows such sheets
    rows: list[tuple[str, ...]] = []
    numbers: list[int] = []
    odd: dict[tuple[int, int], str] = {}
    computed: set[tuple[int, int]] = set()
    widest = 0
    for sheet in (values, formulas):
        sheet.reset_dimensions()  # what a sheet says of its size need not be so
    for number, (row, source) in enumerate(zip(values.iter_rows(), formulas.iter_rows(), strict=True), start=1):
        widest = max(widest, len(row))
        if number > MAX_ROWS or widest > MAX_COLUMNS or number * widest > MAX_CELLS:
            raise _too_large(name, number, widest)
        cells = [_cell(cell, origin) for cell, origin in zip(row, source, strict=True)]
        trimmed = _trim([text for text, _ in cells])
        if trimmed:
            at = len(rows)
            odd |= {(at, j): oddness for j, (_, oddness) in enumerate(cells) if oddness}
            computed |= {(at, j) for j, origin in enumerate(source) if origin.data_type == "f"}
            rows.append(trimmed)
            numbers.append(number)
    return SheetFile(name, values.title, tuple(rows), tuple(numbers), "workbook", odd, frozenset(computed))


def _cell(cell: ReadOnlyCell | EmptyCell, origin: ReadOnlyCell | EmptyCell) -> tuple[str, str]:
    """Text of a cell and what is odd about it; ``origin`` is the same cell with its formula."""
    if origin.data_type == "f" and cell.value is None:
        return "(formula)", "a formula without a stored result"
    text, oddness = _cell_text(cell.value)
    return text, f"the error {text}" if cell.data_type == "e" else oddness


def _cell_text(value: object) -> tuple[str, str]:
    """Text of a cell and, when it is not what a person would type, words for what it is."""
    match value:
        case None:
            return "", ""
        case bool():
            return ("true" if value else "false"), ""
        case float():
            return f"{value:.10g}", ""  # 0.1 + 0.2 reads 0.3
        case date():  # one with a time of day too
            text = str(value).removesuffix(" 00:00:00")
            return text, f"the date {text}"
        case time() | timedelta():
            return str(value), f"the time {value}"
        case _:
            return str(value), ""
