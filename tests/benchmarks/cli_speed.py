"""How long the command takes to start, and the demo to run.

Usage::

    python -m tests.benchmarks.cli_speed

Median wall time of `doe --help` beside `python -c "import typer"`, and one run of `doe demo`, in wall seconds and in
those of a processor core; then processor seconds of commands on the demo's book, medians of five runs, less those of
`python -c pass`. Other work on the machine shows in wall times; the ratio suffers least, as the two are run by turns.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

from tests.benchmarks.results import arguments, table, written

HELP = [sys.executable, "-m", "doe.cli", "--help"]
BARE = [sys.executable, "-c", "import typer"]
DEMO = [sys.executable, "-m", "doe.cli", "demo"]
START = [sys.executable, "-c", "pass"]
WANTED = {
    "report 1 -o again.html": 3.0,
    "study show 1": 0.5,
    "study list": 0.5,
    "recipe list": 0.5,
    "gauge list back": 0.5,
}
"""Commands on the demo's book, and the processor seconds that each may take beyond Python's own start."""


def seconds(words: list[str], folder: str) -> float:
    """Wall time of one command, which must work."""
    start = time.perf_counter()
    subprocess.run(words, cwd=folder, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def core_seconds(words: list[str], folder: str, book: str) -> float:
    """Processor time of one command, median of five runs."""
    taken = []
    for _ in range(5):
        before = os.times()
        subprocess.run(words, cwd=folder, check=True, stdout=subprocess.DEVNULL, env={**os.environ, "DOE_BOOK": book})
        after = os.times()
        taken.append(sum(after[2:4]) - sum(before[2:4]))
    return median(taken)


def main() -> None:
    """Measure and print."""
    parser = arguments(__doc__)
    parser.add_argument("--turns", type=int, default=15)
    given = parser.parse_args()
    with (
        written(given, __file__, __doc__, cases=f"{given.turns} turns, one demo") as figures,
        tempfile.TemporaryDirectory() as folder,
    ):
        for words in (HELP, BARE):
            seconds(words, folder)  # the first run reads the files from the disk
        turns = [(seconds(HELP, folder), seconds(BARE, folder)) for _ in range(given.turns)]
        shown, bare = median(t for t, _ in turns), median(t for _, t in turns)
        before = os.times()
        figures["help_ratio"], figures["demo_s"] = shown / bare, seconds(DEMO, folder)
        after = os.times()
        figures["demo_core_s"] = sum(after[2:4]) - sum(before[2:4])  # of child processes, user and system
        rows = [
            ["`doe --help`, median", f"{shown:.3f} s", ""],
            ["`import typer`, median", f"{bare:.3f} s", ""],
            ["ratio", f"{figures['help_ratio']:.2f}", "at most 2.5"],
            ["`doe demo`, one run", f"{figures['demo_s']:.1f} s", "under 30 s"],
            ["the same, of a core", f"{figures['demo_core_s']:.1f} s", ""],
        ]
        book = str(Path(folder) / "doe-demo" / "book.sqlite")
        start = core_seconds(START, folder, book)
        for command, most in WANTED.items():
            taken = core_seconds([*HELP[:-1], *command.split()], folder, book) - start
            figures["core_s_" + "_".join(command.split()[:2])] = taken
            rows.append([f"`doe {command}`, of a core beyond Python's start", f"{taken:.2f} s", f"at most {most:g} s"])
        print(table(["what", "measured", "wanted"], rows))


if __name__ == "__main__":
    main()
