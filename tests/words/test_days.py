"""Days are shown on the reader's clock, by one function."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from doe.words.wording import day

ROOT = Path(__file__).parents[2]


@pytest.fixture
def far_east(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A reader nine hours ahead of UTC."""
    monkeypatch.setenv("TZ", "JST-9")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.usefixtures("far_east")
def test_a_late_moment_is_shown_on_the_readers_day() -> None:
    assert day(datetime(2031, 3, 4, 23, 30, tzinfo=UTC)) == "5 March 2031"
    assert day(datetime(2031, 3, 4, 14, 30, tzinfo=UTC)) == "4 March 2031"


@pytest.mark.usefixtures("far_east")
def test_a_day_that_has_no_hour_stays_that_day() -> None:
    assert day(date(2031, 3, 4)) == "4 March 2031"


def test_no_day_or_minute_is_written_elsewhere() -> None:
    found = []
    for folder in ("doe/acts", "doe/cli", "doe/words", "reports"):
        for path in sorted((ROOT / folder).rglob("*.py")):
            text = path.read_text(encoding="utf-8")
            for match in re.finditer(r"\{([^{}]*):%Y-%m-%d([^}]*)\}", text):
                if path.name != "wording.py":
                    found.append(f"{path.relative_to(ROOT)}: {match[0]}")
    assert found == []
