"""How long a person waits for a full book.

Usage::

    python -m tests.benchmarks.book_speed --studies 1000

A new book is filled with studies of 30 scored coupons each, then looked at. Median wall time of seven turns, or of
fewer where said. Wanted: 1,000 studies with 30,000 coupons are opened and listed in less than 0.5 s. What the chain of
acts costs: a score recorded with and without its seal, and the chain's part of a check.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from unittest import mock

import pandas as pd

from doe.book import chain
from doe.book.book import Book
from doe.domain.factors import usual_factor
from doe.domain.score import ScoreEntry
from doe.domain.stack import Line, Material, Stack
from doe.domain.study import Study
from tests.benchmarks.results import arguments, table, written

COUPONS = 30
LISTED, OPENED = "list every study with its counts", "open the book and list every study"


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
    with book.writing():
        book.save_stack(Stack("blank", part, part, part))
        book.save_line(Line("line"))
        for number in range(count):
            study = Study(f"study {number}", factors)
            study_id = book.add_study(study, stack="blank", line="line")
            book.save_round(study_id, plan, kind="half", seed=number)
            book.record(study_id, given)


def timed(work: Callable[[], object], repeats: int = 7) -> float:
    """Median wall time of some work, in ms."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times) * 1000


def measure(folder: Path, count: int) -> dict[str, float]:
    """Fill a book and time what a person waits for, in ms by label."""
    path = folder / "shop.sqlite"

    def look(work: Callable[[Book], object]) -> None:
        with Book.open(path, who="bench") as again:
            work(again)

    with Book.open(path, who="bench") as book:
        start = time.perf_counter()
        fill(book, count)
        filled = (time.perf_counter() - start) * 1000
        listed = book.studies()
        assert len(listed) == count
        assert sum(study.coupons for study in listed) == count * COUPONS
        number = iter(range(10**6))
        found = {
            "fill the book, one transaction": filled,
            LISTED: timed(book.studies),
            OPENED: timed(lambda: look(Book.studies)),
            "open the book and find one study": timed(lambda: look(lambda again: again.study(1))),
            "results of one study": timed(lambda: book.results(count // 2 + 1)),
            "history of one study": timed(lambda: book.history(count // 2 + 1)),
            "record one coupon (one durable commit), 21 turns": timed(
                lambda: book.record(1, [ScoreEntry("R1-01", note=f"look {next(number)}")], why="timing"), 21
            ),
            "the same without its seal": timed(lambda: unsealed(book, next(number)), 21),
        }
        book.record(1, [ScoreEntry("R1-01", note="the last")], why="timing")  # seals those before it too
        found |= {
            "check the whole book, once": timed(book.check, 1),
            "the chain of its acts alone, once": timed(lambda: chained(book), 1),
            "backup, once": timed(lambda: book.backup(folder / "copy.sqlite"), 1),
            "export, once": timed(lambda: book.export(folder / "book.zip"), 1),
        }
    with Book.open(folder / "again.sqlite", who="bench") as again:
        found["import, once"] = timed(lambda: again.import_(folder / "book.zip"), 1)
    return found


def unsealed(book: Book, number: int) -> None:
    """Record one coupon as if acts were not chained; the next one is sealed with it."""
    with mock.patch("doe.book.chain.seal"):
        book.record(1, [ScoreEntry("R1-01", note=f"look {number}")], why="timing")


def chained(book: Book) -> None:
    """Look through the chain of acts."""
    with book.reading() as connection:
        assert list(chain.faults(connection)) == []


def main() -> None:
    """Measure and print."""
    parser = arguments(__doc__)
    parser.add_argument("--studies", type=int, default=1000)
    given = parser.parse_args()
    cases = f"{given.studies} studies, {given.studies * COUPONS} coupons"
    with written(given, __file__, __doc__, cases=cases) as figures, tempfile.TemporaryDirectory() as folder:
        found = measure(Path(folder), given.studies)
        size = (Path(folder) / "shop.sqlite").stat().st_size / 1e6
        print(table([f"{cases}, {size:.1f} MB", "ms"], [[label, f"{ms:.1f}"] for label, ms in found.items()]))
        figures["list_s"], figures["open_and_list_s"] = found[LISTED] / 1000, found[OPENED] / 1000


if __name__ == "__main__":
    main()
