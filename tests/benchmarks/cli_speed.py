"""Start-up of the command and time of the demo: `python -m tests.benchmarks.cli_speed`.

Prints the median wall time of `doe --help` against `python -c "import typer"`, and one run of `doe demo`. Other work
on the machine shows in these numbers; the ratio suffers least, as the two are run by turns.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from statistics import median

TURNS = 15
HELP = [sys.executable, "-m", "doe.cli", "--help"]
BARE = [sys.executable, "-c", "import typer"]


def seconds(words: list[str], folder: str) -> float:
    """Wall time of one command, which must work."""
    start = time.perf_counter()
    subprocess.run(words, cwd=folder, check=True, stdout=subprocess.DEVNULL, env={**os.environ, "OMP_NUM_THREADS": "1"})
    return time.perf_counter() - start


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        for words in (HELP, BARE):
            seconds(words, folder)  # the first run reads the files from the disk
        turns = [(seconds(HELP, folder), seconds(BARE, folder)) for _ in range(TURNS)]
        shown, bare = median(t for t, _ in turns), median(t for _, t in turns)
        print(f"doe --help        {shown:6.3f} s   median of {TURNS}")
        print(f"import typer      {bare:6.3f} s   median of {TURNS}")
        print(f"ratio             {shown / bare:6.2f}     wanted: at most 2.5")
        demo = seconds([sys.executable, "-m", "doe.cli", "demo"], folder)
        print(f"doe demo          {demo:6.1f} s   one run; wanted: under 30")


if __name__ == "__main__":
    main()
