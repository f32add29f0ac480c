"""Rows of faults in small: kills, power cuts, a full disk, bad input; nothing lost, no traceback, no exit 3.

More on demand: ``python -m tests.benchmarks.faults --help``.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

from tests.bad_inputs import INPUTS, Asked, Case

EXAMPLES = int(os.environ.get("DOE_EXAMPLES", "5000" if os.environ.get("CI") else "300"))


@pytest.mark.skipif(sys.platform != "linux", reason="a disk put before the system's own by LD_PRELOAD")
def test_nothing_is_lost_and_nobody_sees_a_traceback(tmp_path: Path) -> None:
    if shutil.which("cc") is None and not os.environ.get("CI"):
        pytest.skip("no C compiler to build the disk with")
    words = ["--short", "--kills", "48", "--cuts", "48", "--others", "4", "--inputs", "0", "--every", "12", "--keep"]
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.faults", *words, str(tmp_path / "kept")],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[2],
    )
    assert done.returncode == 0, done.stdout + done.stderr[-2000:]
    rows = dict(re.findall(r"^\| ([\w ,:-]+?) +\| +([\d,]+) +\| 0 +\| 0 +\| 0 +\|", done.stdout, re.MULTILINE))
    assert {"killed", "power cut", "full disk", "read-only folder", "locked book", "clock jump"} <= set(rows)
    assert (rows["killed"], rows["power cut"]) == ("48", "48")
    replayed = {row.partition(": ")[2] for row in rows if row.startswith("power cut, one place in 12: ")}
    assert replayed == {"record", "release", "sheet", "report", "book backup", "book export", "book upgrade"}


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Asked]:
    home = Path.cwd()
    yield Asked(tmp_path_factory.mktemp("asked"))
    os.chdir(home)


@pytest.mark.filterwarnings("ignore:Generating overly large repr")
@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))
@given(case=INPUTS)
def test_no_bad_input_brings_a_traceback_or_our_own_mistake(asked: Asked, case: Case) -> None:
    found = asked.ask(case)
    assert not found, str(found)[:2000]
