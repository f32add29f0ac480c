"""The page on application security names tests and files that exist, and every line of it says how it stands."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "tests" / "benchmarks" / "results" / "asvs.md").read_text(encoding="utf-8")
ROWS = [[cell.strip() for cell in line.strip("|").split("|")] for line in PAGE.splitlines() if re.match(r"\| \d", line)]


def test_every_named_test_and_file_is_there() -> None:
    named = re.findall(r"`((?:tests|doe|\.ci)/[^`]+)`", PAGE)
    assert len(named) > 60
    for name in named:
        path, _, test = name.partition("::")
        assert (ROOT / path).exists(), name
        assert not test or re.search(rf"^(async )?def {test}\(", (ROOT / path).read_text(encoding="utf-8"), re.M), name


def test_every_line_is_held_and_shown_or_has_a_reason() -> None:
    for number, asked, state, shown in ROWS:
        assert asked, number
        assert state in ("held", "not applicable", "accepted"), number
        assert len(shown) > 10, number


def test_every_chapter_is_there() -> None:
    assert re.findall(r"^## V(\d+) ", PAGE, re.M) == [str(number) for number in range(1, 15)]
