"""Workbooks and files that would keep a command busy for ever."""

from __future__ import annotations

import io
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import openpyxl
import pytest

from doe.book.sheets.workbook import read_sheets
from doe.domain.errors import InputError


@pytest.mark.parametrize("cell", ["A1048576", "XFD1", "XFD1048576", "SF20000"])
def test_one_stray_cell_far_away_is_refused_at_once(tmp_path: Path, cell: str) -> None:
    book = openpyxl.Workbook()
    assert book.active is not None
    book.active["A1"], book.active[cell] = "coupon", "x"
    path = tmp_path / "stray.xlsx"
    book.save(path)
    with pytest.raises(InputError, match="at most 20000 rows"):
        read_sheets(path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_is_no_sheet(tmp_path: Path) -> None:
    path = tmp_path / "pipe.csv"
    os.mkfifo(path)
    with pytest.raises(InputError, match="no plain file"):
        read_sheets(path)


def packed(sheet: str = "", *, styles: str = "", strings: str = "") -> bytes:
    """A workbook of an office program whose parts are other ones."""
    whole, made = io.BytesIO(), io.BytesIO()
    book = openpyxl.Workbook()
    assert book.active is not None
    book.active["A1"] = "coupon"
    book.save(whole)
    with zipfile.ZipFile(whole) as old, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as new:
        for part in old.infolist():
            text = old.read(part).decode()
            if part.filename.endswith("sheet1.xml"):
                text = text.replace(
                    "</sheetData>", f"{sheet}</sheetData>" if "<row" in sheet else f"</sheetData>{sheet}"
                )
            elif part.filename.endswith("styles.xml"):
                text = text.replace("</cellXfs>", f"{styles}</cellXfs>")
            elif part.filename.endswith("sharedStrings.xml"):
                text = text.replace("</sst>", f"{strings}</sst>")
            new.writestr(part.filename, text)
    return made.getvalue()


HOSTILE = {
    "merged cells of a whole sheet": lambda: packed('<mergeCells><mergeCell ref="A1:XFD1048576"/></mergeCells>'),
    "a link over a whole sheet": lambda: packed(
        '<hyperlinks><hyperlink ref="A1:XFD1048576" location="x"/></hyperlinks>'
    ),
    "empty cells": lambda: packed("".join(f'<row r="{r}">{"<c/>" * 490}</row>' for r in range(2, 4_000))),
    "numbers": lambda: packed("".join(f'<row r="{r}">{"<c><v>1</v></c>" * 49}</row>' for r in range(2, 5_000))),
    "empty rows": lambda: packed("<row/>" * 5_000_000),
    "formats": lambda: packed(styles="<xf/>" * 4_000_000),
    "texts": lambda: packed(strings="".join(f"<si><t>{n}</t></si>" for n in range(2_400_000))),
}


@pytest.mark.skipif(sys.platform != "linux", reason="the most memory is read from /proc")
@pytest.mark.parametrize("what", HOSTILE)
def test_a_small_workbook_that_swells_up_takes_neither_memory_nor_minutes(tmp_path: Path, what: str) -> None:
    path = tmp_path / "hostile.xlsx"
    path.write_bytes(HOSTILE[what]())
    script = (
        "import sys; from doe.book.sheets.workbook import read_sheets; from doe.domain.errors import InputError\n"
        "try:\n    read_sheets(sys.argv[1])\nexcept InputError as error:\n    print(error, file=sys.stderr)\n"
        "print(next(line for line in open('/proc/self/status') if line.startswith('VmHWM')).split()[1])"
    )
    words = [sys.executable, "-c", script, str(path)]
    done = subprocess.run(words, check=True, capture_output=True, text=True, timeout=120)
    assert int(done.stdout) / 1024 < 250, done.stderr  # MB; the page itself takes some 150
