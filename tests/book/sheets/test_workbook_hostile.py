"""Workbooks and files that would keep a command busy for ever."""

from __future__ import annotations

import os
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
