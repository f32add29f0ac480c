"""The page as its own process."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.forked import Forked, started


@dataclass
class Running:
    """A page that answers at an address."""

    process: Forked | subprocess.Popen[str]
    facts: dict[str, Any]

    @property
    def address(self) -> str:
        """Where it answers."""
        return str(self.facts["address"])

    def stop(self) -> tuple[int, str, str]:
        """Press Ctrl-C; exit code and what it said last."""
        self.process.send_signal(signal.SIGINT)
        out, err = self.process.communicate(timeout=30)
        return self.process.returncode, out, err


def command(path: Path | str, *words: str, name: str = "bench") -> list[str]:
    """The command line of a page over a book, as a shop starts it."""
    return [sys.executable, "-m", "doe.cli", *_words(path, *words, name=name)]


def _words(path: Path | str, *words: str, name: str) -> list[str]:
    return [name, "--book", str(path), "--who", "owner", "--port", "0", *words]


def environment() -> dict[str, str]:
    """The environment without what a developer may have set."""
    return {**os.environ, "PYTHONUNBUFFERED": "1", "NO_COLOR": "1", "DOE_UNITS": "", "COLUMNS": "80"}


@contextlib.contextmanager
def running(path: Path | str, *words: str, name: str = "bench", anew: bool = False) -> Iterator[Running]:
    """A page over a book, stopped at the end; ``anew``: started as a shop does, with nothing loaded before."""
    process: Forked | subprocess.Popen[str]
    if anew:
        start = command(path, "--json", *words, name=name)
        process = subprocess.Popen(start, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment())
    else:
        process = started(_words(path, "--json", *words, name=name), env=environment())
    try:
        assert process.stdout is not None
        lines = []
        while (line := process.stdout.readline()) != "":
            lines.append(line)
            if line == "}\n":
                break
        else:
            raise AssertionError(f"the page did not start: {process.communicate()[1]}")
        yield Running(process, json.loads("".join(lines)))
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
        for stream in (process.stdout, process.stderr):
            if stream is not None:
                stream.close()
