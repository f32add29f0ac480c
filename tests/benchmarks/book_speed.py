"""How long a full book takes: 1,000 studies with 30,000 coupons, all scored. Run it, it prints the times.

    python -m tests.benchmarks.book_speed [studies]

Nothing here is a test: times depend on the machine. The target is that listing takes less than 0.5 s.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd

from doe.book import definitions, rounds, scores, studies
from doe.book.book import Book
from doe.domain.factors import usual_factor
from doe.domain.score import ScoreEntry
from doe.domain.stack import Line, Material, Stack
from doe.domain.study import Study

COUPONS = 30


def fill(book: Book, count: int) -> None:
    """Studies with scored coupons, in one transaction: here it is the looking that is timed."""
    part = Material("invented")
    factors = tuple(usual_factor(name) for name in ("cure_temp", "cure_time", "press_temp", "dwell"))
    names = [f"R1-{i + 1:02d}" for i in range(COUPONS)]
    plan = pd.DataFrame(
        {
            "coupon": names,
            "cure_temp": 125.0,
            "cure_time": 140.0,
            "press_temp": 155.0,
            "dwell": 12.0,
            "round": 1,
            "cure_batch": 1,
            "press_batch": 1,
            "role": "corner",
        }
    )
    given = [
        ScoreEntry(
            name,
            checks={"release": True, "stretch": i % 5 > 0, "wash_1": True},
            side="under" if i % 5 == 0 else "",
            hand={"ana": 3.5, "bo": 4.0},
            void_reason="lost" if i == 29 else None,
        )
        for i, name in enumerate(names)
    ]
    with book._store.writing() as writing:
        definitions.save(writing, Stack("blank", part, part, part), "")
        definitions.save(writing, Line("line"), "")
        for number in range(count):
            study = Study(f"study {number}", factors)
            study_id = studies.add(writing, study, stack="blank", line="line")
            rounds.save(writing, study_id, plan, kind="half", seed=number, notes=())
            scores.record(writing, study_id, given, why="")


def timed(label: str, work: Callable[[], object], repeats: int = 7) -> None:
    """Print the median time of some work, in ms."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    print(f"{label:<42}{statistics.median(times) * 1000:10.1f} ms")


def main() -> None:
    """Fill a book and time what a person waits for."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shop.sqlite"
        with Book.open(path, who="bench") as book:
            start = time.perf_counter()
            fill(book, count)
            print(f"{count} studies, {count * COUPONS} coupons, filled in {time.perf_counter() - start:.1f} s")
            print(f"file {path.stat().st_size / 1e6:.1f} MB")

            def open_again() -> None:
                with Book.open(path, who="bench") as again:
                    again.study(1)

            listed = book.studies()
            assert len(listed) == count
            assert sum(study.coupons for study in listed) == count * COUPONS
            timed("list every study with its counts", book.studies)
            timed("open the book and find one study", open_again)
            timed("results of one study", lambda: book.results(count // 2 + 1))
            timed("history of one study", lambda: book.history(count // 2 + 1))
            number = iter(range(10**6))
            timed(
                "record one coupon (one durable commit)",
                lambda: book.record(1, [ScoreEntry("R1-01", note=f"look {next(number)}")], why="timing"),
                21,
            )
            timed("check the whole book", book.check, 1)
            timed("backup", lambda: book.backup(Path(folder) / "copy.sqlite"), 1)
            timed("export", lambda: book.export(Path(folder) / "book.zip"), 1)
        with Book.open(Path(folder) / "again.sqlite", who="bench") as again:
            timed("import", lambda: again.import_(Path(folder) / "book.zip"), 1)


if __name__ == "__main__":
    main()
