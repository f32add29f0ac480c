"""What more or fewer coupons would buy a study, tried on simulated lines; trials are kept in the cache folder."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
from collections.abc import Generator, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import closing, contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from doe.acts.base import THREADS, Key, Progress, digest, version
from doe.acts.cache import cache_folder
from doe.acts.study.limits import refuse_without_limits
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.domain.errors import InputError
from doe.domain.serial import from_plain, to_plain
from doe.domain.stack import Line
from doe.domain.study import Study
from doe.practice import worth as trial
from doe.practice.worth import Tried, Worth

MOST_LINES, MOST_PROCESSES = 700, 8


@dataclass(frozen=True)
class SizesWorth:
    """What each size buys: rows a size, lines tried, sizes this study cannot be planned with, trials from the cache."""

    record: StudyRecord
    rows: tuple[Worth, ...]
    lines: int
    wanted_lines: int
    impossible: tuple[int, ...]
    from_cache: int


def sizes_worth(
    book: Book, key: Key, *, lines: int | None = None, processes: int | None = None, progress: Progress | None = None
) -> SizesWorth:
    """Try every size on simulated lines like the study's, or take what was tried before.

    Parameters
    ----------
    lines : int, optional
        How many lines; by default `doe.practice.worth.LINES`. More make the standard errors smaller.
    processes : int, optional
        Processes at work; by default as many as the machine has cores. Stopped half-way, what is done is kept.

    Raises
    ------
    InputError
        If limits are missing, no size can be planned, or no simulated line fits the study.
    """
    record = book.study(key)
    refuse_without_limits(record.study)
    count = trial.LINES if lines is None else lines
    if not 1 <= count <= MOST_LINES:
        raise InputError("--lines", count, f"1 to {MOST_LINES}", "Leave it out: the usual will do.")
    hours = trial.possible_sizes(record.study, line=record.line)
    if not hours:
        raise InputError(
            f"study {record.name}",
            "too many factors for any of these sizes",
            ", ".join(map(str, trial.SIZES)),
            "Hold one of the factors.",
        )
    wanted = trial.lines_to_try(count)
    store = _Store.of(record.study, record.line)
    known = store.read()
    jobs = [
        (kind, seed, missing)
        for kind, seed in wanted
        if (missing := [n for n in hours if (kind, seed, n) not in known and (kind, seed, 0) not in known])
    ]
    tell = progress or (lambda share: None)
    with closing(_run(record.study, record.line, jobs, processes)) as ended:
        for done, ((kind, seed, _), found) in enumerate(ended, 1):
            # a kind of which no line fits the study is remembered too: finding that out takes longest
            made = {(t.kind, t.seed, t.coupons): t for t in found} or {
                (kind, seed, 0): trial.Tried(kind, seed, 0, "", 0.0, 0.0)
            }
            known |= made
            store.add(made.values())
            tell(done / len(jobs))
    tell(1.0)
    asked = {(kind, seed) for kind, seed in wanted}
    tried = [t for t in known.values() if (t.kind, t.seed) in asked and t.coupons in hours]
    if not tried:
        raise InputError(
            f"study {record.name}",
            "no simulated line that fits it",
            "ranges, setting errors and a wanted pass rate that some line can meet",
            "Widen the ranges, or lower the setting errors or the wanted pass rate.",
        )
    return SizesWorth(
        record=record,
        rows=trial.worth(record.study, tried, hours),
        lines=len({(t.kind, t.seed) for t in tried}),
        wanted_lines=count,
        impossible=tuple(n for n in trial.SIZES if n not in hours),
        from_cache=count - len(jobs),
    )


def _run(
    study: Study, line: Line, jobs: Sequence[tuple[str, int, list[int]]], processes: int | None
) -> Generator[tuple[tuple[str, int, list[int]], tuple[Tried, ...]], None, None]:
    """Each job with what came of it, as they end; a break stops the workers and loses only what they were at."""
    workers = min(processes or _cores(), MOST_PROCESSES, max(len(jobs), 1))
    if workers == 1:
        for job in jobs:
            yield job, trial.try_line(study, job[0], job[1], job[2], line=line)
        return
    before = set(multiprocessing.active_children())
    with _one_thread():
        pool = ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), initializer=_leave_breaks_to_parent)
        try:
            waiting = {pool.submit(trial.try_line, study, job[0], job[1], job[2], line=line): job for job in jobs}
            for future in as_completed(waiting):
                yield waiting[future], future.result()
        except BaseException:
            # a worker would go on to the end of its line, and the program wait for it: minutes after Ctrl-C
            pool.shutdown(wait=False, cancel_futures=True)
            for child in set(multiprocessing.active_children()) - before:
                child.kill()  # they only compute, and whoever started us may have told them to ignore a request
            raise
        pool.shutdown()


def _leave_breaks_to_parent() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextmanager
def _one_thread() -> Iterator[None]:
    """Workers that start inside use one thread each: as many processes as cores are at work already."""
    before = {name: os.environ.get(name) for name in THREADS}
    os.environ.update(dict.fromkeys(THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


@dataclass(frozen=True)
class _Store:
    """What was tried for one question, a line of JSON each; unreadable lines and folders are passed over."""

    path: Path

    @classmethod
    def of(cls, study: Study, line: Line) -> _Store:
        """The file of a study's question: the same factors, spec, limits, machines and version share one."""
        asked = {key: value for key, value in to_plain(study).items() if key not in ("name", "held")}
        question = digest({"study": asked, "line": to_plain(line), "version": version()})
        return cls(cache_folder() / f"sizes-{question[:24]}.jsonl")

    def read(self) -> dict[tuple[str, int, int], Tried]:
        """What was tried before."""
        try:
            lines = self.path.read_text(encoding="utf-8", errors="replace").splitlines()
        except OSError:
            return {}
        found = {}
        for text in lines:
            with suppress(ValueError, TypeError, KeyError):  # a line cut short, or of something else
                row = json.loads(text)
                tried = from_plain(Tried, row)
                if 0 <= tried.true <= 1 and row["sum"] == _checksum(tried):
                    found[tried.kind, tried.seed, tried.coupons] = tried
        return found

    def add(self, tried: Iterable[Tried]) -> None:
        """Keep what was tried; a cache that cannot be written is done without."""
        rows = [json.dumps({**asdict(t), "sum": _checksum(t)}) for t in tried]
        with suppress(OSError):
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with self.path.open("a", encoding="utf-8") as file:
                # on a line of its own even after one that was cut short
                file.write("".join(f"\n{row}\n" for row in rows))


def _checksum(tried: Tried) -> str:
    return digest(asdict(tried))[:12]
