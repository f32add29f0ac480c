"""Commands typed beside the pages: what these remember is what the book holds, on every page."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from tests.bench.process import environment
from tests.bench.shop import STUDY, Device, make_book

PAGES = (
    "/",
    f"/study/{STUDY}",
    f"/s/{STUDY}",
    f"/list/{STUDY}",
    f"/c/{STUDY}/R1-10",
    f"/undo/{STUDY}/R1-10",
    "/lines",
)
COMMANDS = (
    ("record", "1", "--coupon", "R1-10", "--pass", "release", "--hand", "ana=4"),
    ("record", "1", "--coupon", "R1-10", "--hand", "ana=3", "--why", "felt again"),
    ("record", "1", "--coupon", "R1-11", "--void", "dropped"),
    ("record", "1", "--coupon", "R1-11", "--take-back", "--why", "it was another one"),
    ("gauge", "add", "back room", "--machine", "press", "--set", "150", "--measured", "140"),
    ("study", "amend", "1", "--name", "otherwise", "--why", "a better name"),
    ("study", "archive", "1", "--why", "put by"),
)


def all_pages(device: Device) -> dict[str, str]:
    """Every page without what is drawn anew for each answer."""
    texts = {path: device.get(path).text for path in PAGES}
    return {path: re.sub(r'name="(token|mark)" value="[^"]*"', "", text) for path, text in texts.items()}


def test_every_page_shows_at_once_what_a_command_stored(office_over, tmp_path: Path) -> None:
    book = make_book(tmp_path / "shop.sqlite", scored=9)
    device = office_over(book).device("ben")
    before = all_pages(device)
    for words in COMMANDS:
        said = [sys.executable, "-m", "doe.cli", *words, "--book", str(book), "--who", "ana"]
        subprocess.run(said, check=True, capture_output=True, env=environment())
        now = all_pages(device)
        # pages that begin anew, and remember nothing
        assert now == all_pages(office_over(book).device("ben")), words
        assert now != before, words
        before = now
