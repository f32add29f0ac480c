"""Nobody reads the answer: the output is closed, or its disk is full."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

WORDS = ("stack", "add", "tee", "--fabric", "tee", "--film", "film", "--powder", "powder", "--who", "ana")


def shell(line: str, tmp_path: Path) -> subprocess.CompletedProcess[str]:
    program = f'"{sys.executable}" -m doe.cli'
    environment = {**os.environ, "DOE_BOOK": str(tmp_path / "book.sqlite"), "XDG_STATE_HOME": str(tmp_path)}
    return subprocess.run(
        line.replace("doe", program, 1), shell=True, capture_output=True, text=True, env=environment, check=False
    )


@pytest.mark.skipif(os.name == "nt", reason="a shell that can close a stream")
@pytest.mark.parametrize("closed", [">&-", "2>&-", "<&-", ">&- 2>&- <&-"])
def test_a_closed_stream_is_no_mistake(tmp_path: Path, closed: str) -> None:
    done = shell(f"doe {' '.join(WORDS)} {closed}", tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert "tee" in shell("doe stack list", tmp_path).stdout


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no full disk to write to")
@pytest.mark.parametrize("more", ["", "--json"])
def test_a_full_disk_loses_the_answer_and_says_so(tmp_path: Path, more: str) -> None:
    done = shell(f"doe {' '.join(WORDS)} {more} >/dev/full", tmp_path)
    assert done.returncode == 2
    (line,) = done.stderr.splitlines()
    assert line.startswith("standard output: found No space left")
    assert "tee" in shell("doe stack list", tmp_path).stdout
