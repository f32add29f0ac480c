"""Tables to take away: a CSV inside the page itself, so that nothing has to be fetched from anywhere."""

from __future__ import annotations

import csv
import io
import re
from base64 import b64encode
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

_NUMBER = re.compile(r"^[-+]?(\d+\.?\d*|\.\d+)(e[-+]?\d+)?$", re.IGNORECASE)
_FIRST = re.compile(r"^[=+\-@\t\r]")


def csv_text(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Rows as CSV with a comma, every line ended as RFC 4180 asks.

    A text that a spreadsheet would take for a formula gets an apostrophe in front: notes and names are typed by people,
    and a file that is opened must not compute anything.

    >>> csv_text(["note"], [["=1+1"], ["-0.5"], ["a, b"]])
    'note\\r\\n\\'=1+1\\r\\n-0.5\\r\\n"a, b"\\r\\n'
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerows([[_harmless(cell) for cell in row] for row in (head, *rows)])
    return buffer.getvalue()


def frame_csv(frame: pd.DataFrame) -> str:
    """A frame as CSV with every digit; nothing where nothing is known."""
    missing, values = frame.isna().to_numpy(), frame.to_numpy(dtype=object)
    rows = [
        ["" if absent else str(value) for value, absent in zip(line, blank, strict=True)]
        for line, blank in zip(values, missing, strict=True)
    ]
    return csv_text([str(c) for c in frame.columns], rows)


def csv_link(text: str) -> str:
    """A CSV as an address that holds the whole file, UTF-8 with a mark so that spreadsheets read ° and umlauts."""
    return f"data:text/csv;charset=utf-8;base64,{b64encode(text.encode('utf-8-sig')).decode('ascii')}"


def file_name(caption: str) -> str:
    """Name of the file a table is saved as.

    >>> file_name("Effects on hand-feel (coupons at the ends)")
    'effects-on-hand-feel-coupons-at-the-ends.csv'
    """
    words = re.sub(r"[^a-z0-9]+", "-", caption.lower()).strip("-")
    return f"{words[:60].rstrip('-') or 'table'}.csv"


def _harmless(cell: str) -> str:
    return f"'{cell}" if _FIRST.match(cell) and not _NUMBER.match(cell) else cell
