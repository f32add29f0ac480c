"""How long the command takes to start, and the demo to run.

Usage::

    python -m tests.benchmarks.cli_speed

Median wall time of `doe --help` beside `python -c "import typer"`, and one run of `doe demo`, in wall seconds and in
those of a processor core; then processor seconds of commands on the demo's book, medians of five runs, less those of
`python -c pass`. The demo begins with an empty cache; the commands after it find the draws of its fits there, as in a
shop, and the report is made again without. What Python compiled is kept, as where it is installed. Other work on the
machine shows in wall times; the ratio suffers least, as the two are run by turns.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

from doe.acts.cache import CACHE_DIR
from tests.benchmarks.results import arguments, table, written

HELP = [sys.executable, "-m", "doe.cli", "--help"]
BARE = [sys.executable, "-c", "import typer"]
DEMO = [sys.executable, "-m", "doe.cli", "demo"]
START = [sys.executable, "-c", "pass"]
REPORT = "report 1 -o again.html"
WANTED = {
    REPORT: 3.0,
    "study show 1": 0.5,
    "study list": 0.5,
    "recipe list": 0.5,
    "gauge list back": 0.5,
}
"""Commands on the demo's book, and the processor seconds that each may take beyond Python's own start."""


def run(words: list[str], folder: str, cache: str = "cache") -> None:
    """Run one command, which must work, on the demo's book."""
    place = Path(folder)
    env = {**os.environ, "DOE_BOOK": str(place / "doe-demo" / "book.sqlite"), CACHE_DIR: str(place / cache)}
    env.pop("PYTHONDONTWRITEBYTECODE", None)  # an installed program is compiled once, not by every command
    subprocess.run(words, cwd=folder, check=True, stdout=subprocess.DEVNULL, env=env)


def seconds(words: list[str], folder: str) -> float:
    """Wall time of one command."""
    start = time.perf_counter()
    run(words, folder)
    return time.perf_counter() - start


def core_seconds(words: list[str], folder: str, *, with_cache: bool = True) -> float:
    """Processor time of one command, median of five runs."""
    taken = []
    for i in range(5):
        before = os.times()
        run(words, folder, "cache" if with_cache else f"empty-{i}")
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
        start = core_seconds(START, folder)
        for command, most in WANTED.items():
            taken = core_seconds([*HELP[:-1], *command.split()], folder) - start
            figures["core_s_" + "_".join(command.split()[:2])] = taken
            rows.append([f"`doe {command}`, of a core beyond Python's start", f"{taken:.2f} s", f"at most {most:g} s"])
        figures["core_s_report_anew"] = core_seconds([*HELP[:-1], *REPORT.split()], folder, with_cache=False) - start
        rows.append(["the report, with an empty cache", f"{figures['core_s_report_anew']:.2f} s", ""])
        print(table(["what", "measured", "wanted"], rows))


if __name__ == "__main__":
    main()
