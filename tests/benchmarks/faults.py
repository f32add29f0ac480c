"""What is lost, and what a person sees, when something goes wrong in the middle.

Usage::

    python -m tests.benchmarks.faults --kills 10000 --cuts 2000 --inputs 100000 --write

A shop's day, every command's own example after the other, is kept as it was before each command; then each command
that leaves something is run again and again from there in a fork, and disturbed: killed at a place or a moment taken by
chance, its power cut (every call of the system is logged by `tests/power.c`; what was not flushed is lost, torn or in
another order; with `--every` at every so many of the calls of some commands, each with nothing, all and a part of it),
its disk full or read only, its clock wrong, its book locked, its reader gone. What it left is held against the state
before and the one a whole run leaves; what it said was done must be there; `doe book check` must find nothing. Bad
inputs are drawn by Hypothesis over every command and every file that a command reads.

Lost or half: something confirmed is gone, something half is left, or the book is unsound. Tries are added to a file as
they are made (`--keep`), so that a run that was stopped goes on where it was, and each row says at which commits they
were made. Needs Linux, a C compiler, and for the
last rows a PostgreSQL server of its own and a machine that does nothing else.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import re
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from tests import faults, power
from tests.benchmarks import bench_page_load
from tests.benchmarks.results import arguments, commit_now, table, written
from tests.writers import write_while_it_dies

BATCH, PARTS = 100, 20
EVERY_CUT_OF = ("record", "release", "sheet", "report", "book backup", "book export", "book upgrade")


class Kept:
    """Tallies of the rows, on disk after every batch."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.rows: dict[str, faults.Tally] = {}
        self.commit = commit_now()
        self.commits: dict[str, set[str]] = {}
        for line in path.read_text().splitlines() if path.exists() else []:
            self._count(json.loads(line))

    def _count(self, told: dict[str, Any]) -> None:
        tally = self.rows.setdefault(told["row"], faults.Tally())
        for name in ("tries", "lost", "tracebacks", "broken"):
            setattr(tally, name, getattr(tally, name) + told[name])
        tally.said += told["said"]
        self.commits.setdefault(told["row"], set()).add(told["commit"])

    def add(self, row: str, made: faults.Tally) -> None:
        """Count a batch."""
        told = {"row": row, **vars(made), "said": made.said[:20], "commit": self.commit}
        with self.path.open("a") as file:
            file.write(json.dumps(told) + "\n")
        self._count(told)

    def fill(self, row: str, wanted: int, work: Callable[[random.Random, int], Iterator[list[str]]]) -> None:
        """Make the tries that a row still wants, a batch at a time."""
        self.rows.setdefault(row, faults.Tally())
        while (there := self.rows[row].tries) < wanted:
            made = faults.Tally()
            for found in work(random.Random(f"{row} {there}"), min(BATCH, wanted - there)):
                made.add(found)
            if not made.tries:
                return
            self.add(row, made)
            print(f"{time.strftime('%H:%M:%S')} {row}: {self.rows[row].tries} of {wanted}", file=sys.stderr, flush=True)


def evenly(steps: list[faults.Step], rng: random.Random) -> faults.Step:
    """A step by chance; a slow one as much less often as it takes longer."""
    return rng.choices(steps, [1 / (0.2 + step.seconds) for step in steps])[0]


def kills(steps: list[faults.Step], work: Path) -> Callable[[random.Random, int], Iterator[list[str]]]:
    """Commands that are killed."""

    def make(rng: random.Random, tries: int) -> Iterator[list[str]]:
        for _ in range(tries):
            yield faults.killed(evenly(steps, rng), work, rng)

    return make


def cuts(steps: list[faults.Step], work: Path, after: Path) -> Callable[[random.Random, int], Iterator[list[str]]]:
    """Commands whose power is cut."""

    def make(rng: random.Random, tries: int) -> Iterator[list[str]]:
        for at in range(0, tries, 20):
            yield from faults.cuts(evenly(steps, rng), work, after, min(20, tries - at), rng)

    return make


def every_cut(keep: Kept, steps: list[faults.Step], folder: Path, every: int) -> None:
    """Commands whose power is cut at every place, or every so many; a row each."""
    for step in steps:
        row = f"power cut, {'every place' if every == 1 else f'one place in {every}'}: {step.name}"
        if step.name.removesuffix(" " + step.words[1]) in EVERY_CUT_OF or step.name in EVERY_CUT_OF:
            made = faults.Tally()
            for found in faults.every_cut(step, folder / "work", folder / "after", every, random.Random(row)):
                made.add(found)
            keep.add(row, made)
            print(f"{time.strftime('%H:%M:%S')} {row}: {made.tries}", file=sys.stderr, flush=True)


def disturbed(
    steps: list[faults.Step], work: Path, how: Callable[[faults.Step, random.Random, Path], faults.Disturbance]
) -> Callable[[random.Random, int], Iterator[list[str]]]:
    """Commands under some other fault."""

    def make(rng: random.Random, tries: int) -> Iterator[list[str]]:
        for _ in range(tries):
            step = evenly(steps, rng)
            yield faults.disturbed(step, work, how(step, rng, work))

    return make


def bad_inputs(place: Path) -> Callable[[random.Random, int], Iterator[list[str]]]:
    """Command lines and files that nobody should type."""
    from tests.bad_inputs import Asked, run_many

    asked = Asked(place)
    return lambda rng, tries: run_many(asked, rng.getrandbits(32), tries)


def again_on_our_disk() -> None:
    """Start this program once more, on the disk of power.c, which must be there before anything else."""
    if not faults.has_disk():
        library = power.build(Path(tempfile.mkdtemp()))
        words = [sys.executable, "-m", "tests.benchmarks.faults", *sys.argv[1:]]
        os.execve(sys.executable, words, {**os.environ, "LD_PRELOAD": str(library), "OMP_NUM_THREADS": "1"})


def main() -> int:
    """Disturb, count, print; the exit code says whether nothing was lost or shown."""
    parser = arguments(__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--cuts", type=int, default=200)
    parser.add_argument("--every", type=int, default=0, help="power cuts at one place in so many of some commands")
    parser.add_argument("--inputs", type=int, default=1000)
    parser.add_argument("--others", type=int, default=40, help="tries of each other fault of a command")
    parser.add_argument("--seconds", type=float, default=0, help="of the page under load and of the server that dies")
    parser.add_argument("--short", action="store_true", help="a day without the commands that fit")
    parser.add_argument("--keep", type=Path, help="file to which every batch is added")
    given = parser.parse_args()
    again_on_our_disk()
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as name:
        folder = Path(name).resolve()
        keep = Kept(given.keep or folder / "kept.jsonl")
        steps = [step for step in faults.day(folder / "day", short=given.short) if step.writes]
        work = folder / "work"
        rows = [
            ("killed", given.kills, kills(steps, work)),
            ("power cut", given.cuts, cuts(steps, work, folder / "after")),
            *((row, given.others, disturbed(steps, work, how)) for row, how in faults.DISTURBANCES.items()),
            ("bad input", given.inputs, bad_inputs(folder)),
        ]
        with contextlib.suppress(KeyboardInterrupt):  # Ctrl-C: the page says how far it came
            for part in range(1, PARTS + 1):  # all rows a little further each time
                for row, wanted, make in rows:
                    keep.fill(row, -(-wanted * part // PARTS), make)
        if given.every and not any("place" in row for row in keep.rows):
            every_cut(keep, steps, folder, given.every)
        figures = {}
        if given.seconds:
            figures = under_load(keep, given.seconds)
        return show(given, keep, figures, len(steps))


def under_load(keep: Kept, seconds: float) -> dict[str, float]:
    """Twenty devices beside idle strangers, and writers on a server that dies twice."""
    given = argparse.Namespace(devices=20, seconds=seconds, think=2.0, hints=0.02, strangers=260, answers=0)
    with tempfile.TemporaryDirectory() as folder:
        shift = bench_page_load.score_for_a_while(given, bench_page_load.bench_book(Path(folder)))
    devices, lost = shift.devices, shift.lost
    took = sorted(ms for device in devices for times in device.took.values() for ms in times)
    refused = [text for device in devices for text in device.failed]
    keep.add(
        "20 devices, 260 idle strangers",
        faults.Tally(len(took), len(lost), len(refused), int(shift.code != 0), [*lost, *refused]),
    )
    found = write_while_it_dies(writers=8, deaths=(seconds / 3, seconds / 3), most=8000, seconds=seconds)
    keep.add(
        f"8 writers for {found.seconds:.0f} s, PostgreSQL dies twice",
        faults.Tally(len(found.confirmed), len(found.lost), len(found.broken), 0, [*found.lost, *found.broken]),
    )
    return {"within_95_ms": took[int(len(took) * 0.95)], "load": os.getloadavg()[1]}


def show(given: argparse.Namespace, keep: Kept, figures: dict[str, float], commands: int) -> int:
    """Print the table, into the page when asked."""
    bad = 0
    cases = f"{commands} commands that leave something"
    with written(given, __file__, __doc__, cases=cases) as kept:
        rows = []
        for row, tally in keep.rows.items():
            if tally.tries:
                made_at = ", ".join(sorted(keep.commits[row]))
                rows.append(
                    [row, f"{tally.tries:,}", str(tally.lost), str(tally.tracebacks), str(tally.broken), made_at]
                )
                bad += tally.lost + tally.tracebacks + tally.broken
                kept[re.sub(r"\W+", "_", row) + "_tries"] = tally.tries
        print(table(["fault", "tries", "lost or half", "tracebacks", "exit 3", "commit"], rows))
        kept.update(figures, faults=bad)
        if "within_95_ms" in figures:
            said = f"95 % of the page's answers within {figures['within_95_ms']:.0f} ms"
            print(f"\n{said}; programs that wanted a core at that time: {figures['load']:.1f} (`bench_page_load.md`).")
        for row, tally in keep.rows.items():
            for text in sorted(set(tally.said))[:8]:
                print(f"\n{row}: {text[:400]}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
