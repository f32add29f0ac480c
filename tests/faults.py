"""Commands that are disturbed while they work: killed, cut off, on a full disk. What a command leaves is judged here.

A command is one step of a shop's day: the folder as it was before, and the words. It runs in a fork of a process that
has imported everything, so that a try costs milliseconds and the fault falls on the work and not on the start. What it
may leave: the book and the files as they were, or as a whole run leaves them. What it said was done must be there.
"""

from __future__ import annotations

import copy
import ctypes
import errno
import gc
import hashlib
import io
import json
import os
import random
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
import traceback
import zipfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import (
    AbstractContextManager,
    closing,
    contextmanager,
    nullcontext,
    redirect_stderr,
    redirect_stdout,
)
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from doe.book import engine
from doe.book.book import Book
from doe.cli.app import app
from doe.domain.errors import DoeError
from tests import power

BOOK = "shop.sqlite"
ENV = {"DOE_BOOK": BOOK, "DOE_WHO": "ana", "DOE_UNITS": "", "COLUMNS": "80", "NO_COLOR": "1", "CI": ""}
ALLOWED = (0, 1, 2, 130)
"""Exit codes a command may end with; 3 is a mistake of ours."""


@dataclass
class Tally:
    """What came of the tries of one row."""

    tries: int = 0
    lost: int = 0
    tracebacks: int = 0
    broken: int = 0
    said: list[str] = field(default_factory=list)

    def add(self, faults: Sequence[str]) -> None:
        """Count one try and its faults; the first word of each says its kind."""
        self.tries += 1
        kinds = {fault.partition(":")[0] for fault in faults}
        self.lost += bool(kinds & {"lost", "half", "damaged", "silent"})
        self.tracebacks += "traceback" in kinds
        self.broken += "exit 3" in kinds
        self.said += faults


@dataclass(frozen=True)
class Step:
    """A command of a shop's day, the folder before it, and what a whole run of it does."""

    words: tuple[str, ...]
    before: Path
    seconds: float
    marks: int
    """Places in the whole run at which it may be killed: each statement, commit, flush and move, before and after."""
    rows: dict[str, int]
    files: dict[str, bytes]

    @property
    def name(self) -> str:
        """The command without what it was given."""
        return " ".join(word for word in self.words[:2] if word[0] != "-" and " " not in word)

    @property
    def writes(self) -> bool:
        """Whether it leaves anything."""
        return self.rows != rows_of(self.before / BOOK) or self.files != files_of(self.before)


def warm() -> None:
    """Keep the collector from copying what the forks share; to be called once every command has run in this process."""
    gc.collect()
    gc.freeze()


def rows_of(book: Path) -> dict[str, int]:
    """Number of rows of each table; empty where there is no book."""
    if not book.exists():
        return {}
    with closing(sqlite3.connect(book)) as connection:
        names = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for name in names}


def files_of(folder: Path) -> dict[str, bytes]:
    """Every file but the book and what a killed program may leave until it is cleaned."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.startswith(BOOK) and not _is_part(path.relative_to(folder))
    }


def _is_part(path: Path) -> bool:
    return (path.name.startswith(".") and ".part" in path.name) or any(p.startswith(".making-") for p in path.parts)


def put_back(step: Step, work: Path) -> None:
    """The folder as it was before a step."""
    shutil.rmtree(work, ignore_errors=True)
    shutil.copytree(step.before, work)


@dataclass(frozen=True)
class Ran:
    """How a command ended."""

    code: int
    """Exit code, or the negative number of the signal that ended it."""
    out: str
    err: str
    marks: int = 0
    seconds: float = 0.0

    @property
    def confirmed(self) -> bool:
        """Whether it had said that it is done."""
        try:
            return bool(json.loads(self.out)["ok"])
        except (ValueError, TypeError, KeyError):
            return False

    def faults(self) -> Iterator[str]:
        """What no command may do."""
        if "Traceback" in self.err + self.out:
            yield f"traceback: {self.err[-600:]}"
        if self.code == 3:
            yield f"exit 3: {self.err[-300:]}"
        elif self.code >= 0 and self.code not in ALLOWED:
            yield f"traceback: left with {self.code}: {self.err[-300:]}"


Arm = Callable[[], None]


def in_fork(words: Sequence[str], work: Path, arm: Arm = lambda: None, *, seconds: float = 120) -> Ran:
    """Run a command in a fork; ``arm`` is called in it before it begins."""
    said, told = (os.fdopen(os.memfd_create(name), "w+b") for name in ("said", "told"))
    counted_from, counted_to = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(counted_from)
        code, start, marks = 99, time.perf_counter(), _Marks()
        try:
            os.dup2(said.fileno(), 1)
            os.dup2(told.fileno(), 2)
            os.chdir(work)
            os.environ.update(ENV)
            signal.alarm(int(seconds))
            out, err = (os.fdopen(number, "w", encoding="utf-8", closefd=False) for number in (1, 2))
            with out, err, redirect_stdout(out), redirect_stderr(err):
                marks.watch()
                arm()
                start = time.perf_counter()
                try:
                    app([*words, *(() if "--json" in words else ("--json",))])
                except SystemExit as left:
                    code = left.code if isinstance(left.code, int) else 0
                except BaseException:
                    traceback.print_exc()
        finally:
            os.write(counted_to, f"{marks.count} {time.perf_counter() - start}".encode())
            os._exit(code)
    os.close(counted_to)
    code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    with os.fdopen(counted_from, "rb") as pipe, said, told:
        count, _, took = pipe.read().decode().partition(" ")
        for stream in (said, told):
            stream.seek(0)
        out, err = said.read().decode(errors="replace"), told.read().decode(errors="replace")
    return Ran(code, out, err, int(count or 0), float(took or 0))


class _Marks:
    """Counts the places at which a running command may be killed, and kills it at one of them."""

    now: _Marks | None = None

    def __init__(self) -> None:
        self.count = 0
        self.at = -1
        self.then: Arm = lambda: os.kill(os.getpid(), signal.SIGKILL)

    def pass_by(self, *_: Any, **__: Any) -> None:
        self.count += 1
        if self.count == self.at:
            self.then()

    def between(self, function: Callable[..., Any]) -> Callable[..., Any]:
        def marked(*given: Any, **more: Any) -> Any:
            self.pass_by()
            answer = function(*given, **more)
            self.pass_by()
            return answer

        return marked

    def watch(self) -> None:
        """Count from here to the end of this process."""
        _Marks.now = self
        sa.event.listen(sa.Engine, "before_cursor_execute", self.pass_by)
        dialect = sa.engine.default.DefaultDialect
        dialect.do_commit = self.between(dialect.do_commit)  # type: ignore[method-assign]
        for owner, name in ((os, "fsync"), (Path, "replace"), (Path, "unlink"), (Path, "mkdir"), (tempfile, "mkstemp")):
            setattr(owner, name, self.between(getattr(owner, name)))


def kill_at(mark: int) -> Arm:
    """Be killed at a place of the run."""

    def arm() -> None:
        assert _Marks.now is not None
        _Marks.now.at = mark

    return arm


def kill_after(mark: int, seconds: float) -> Arm:
    """Be ended by the system a while after a place of the run, in the middle of whatever is done then."""

    def arm() -> None:
        assert _Marks.now is not None
        _Marks.now.at = max(mark, 1)
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        _Marks.now.then = lambda: signal.setitimer(signal.ITIMER_REAL, max(seconds, 1e-6)) and None

    return arm


def made(words: Sequence[str], before: Path, work: Path) -> tuple[Step, Ran]:
    """A step, run once as a whole in ``work`` to know what it does."""
    shutil.rmtree(work, ignore_errors=True)
    shutil.copytree(before, work)
    ran = in_fork(words, work)
    return Step(tuple(words), before, ran.seconds, ran.marks, rows_of(work / BOOK), files_of(work)), ran


def left(step: Step, ran: Ran, work: Path) -> list[str]:
    """Faults in what a disturbed command left, and in how it ended."""
    found = list(ran.faults())
    before = rows_of(step.before / BOOK)
    try:
        rows = rows_of(work / BOOK)
    except sqlite3.Error as error:
        return [*found, f"damaged: the book: {error}"]
    if ran.confirmed and rows != step.rows:
        found.append("lost: what was confirmed is not in the book")
    is_new = not before and not rows.get("acts")  # a book that was made, and is whole without an act
    if rows and rows not in (before, step.rows) and not is_new:
        changed = {name: count for name, count in rows.items() if count != before.get(name)}
        found.append(f"half: rows {changed}")
    if rows.get("acts") and (rows != before or ran.code < 0):
        found += [f"damaged: {problem}" for problem in _problems(work / BOOK)]
    there, old = files_of(work), files_of(step.before)
    for name, content in there.items():
        is_begun = name.endswith(".sqlite") and not content  # no book yet: the same command makes it
        if content != old.get(name) and not is_begun and not _is_whole(name, content, step.files):
            found.append(f"half: {name}, {len(content)} bytes of {len(step.files.get(name, b''))}")
    if ran.confirmed and (gone := {name for name in step.files if name not in there and _stem(name) == name}):
        found.append(f"lost: {', '.join(gone)}")
    return found


def _stem(name: str) -> str:
    """A name without the time that some copies carry."""
    return name.partition("-schema-")[0] if "-schema-" in name else name


def _problems(book: Path) -> list[str]:
    try:
        with Book.open(book, who="test", create=False) as opened:
            return opened.check()
    except DoeError as error:
        return [str(error)]


def _is_whole(name: str, content: bytes, whole: dict[str, bytes]) -> bool:
    like = whole.get(name) or next((whole[other] for other in whole if _stem(other) == _stem(name)), b"")
    if name.endswith((".zip", ".xlsx")):
        try:
            with zipfile.ZipFile(io.BytesIO(content)) as opened:
                return opened.testzip() is None
        except zipfile.BadZipFile:
            return False
    if name.endswith((".sqlite", "-wal", "-shm", "-journal")):
        return content.startswith(b"SQLite format 3\0") or name.endswith(("-wal", "-shm", "-journal"))
    # a page says the day, and on another day which readings are out of date: its end tells whether it is whole
    return bool(like) and content[-12:] == like[-12:] and abs(len(content) - len(like)) < max(200, len(like) // 50)


# kills


def killed(step: Step, work: Path, rng: random.Random) -> list[str]:
    """One kill at a place or a moment taken by chance, and what it left."""
    put_back(step, work)
    mark = rng.randint(1, max(step.marks, 1))
    arm = kill_at(mark) if rng.random() < 0.5 else kill_after(mark, rng.expovariate(1 / 0.002))
    return left(step, in_fork(step.words, work, arm), work)


# a disk of our own: power cuts, full, read only, another day


def has_disk() -> bool:
    """Whether this process runs on the disk of power.c."""
    return hasattr(ctypes.CDLL(None), "disk_watch")


def on_disk(work: Path, log: int = -1, *, room: int = -1, read_only: int = 0, ahead: int = 0) -> Arm:
    """Watch a folder from here on; ``room`` bytes are left on its disk, ``ahead`` seconds is its clock wrong."""

    def arm() -> None:
        disk = ctypes.CDLL(None)
        disk.disk_room(ctypes.c_longlong(room))
        disk.disk_read_only(read_only)
        disk.disk_clock(ctypes.c_longlong(ahead))
        disk.disk_watch(os.fsencode(work), log)

    return arm


def cuts(step: Step, work: Path, after: Path, tries: int, rng: random.Random) -> Iterator[list[str]]:
    """Run a step with its writes logged, cut the power at so many places, and judge what each cut leaves."""

    def chosen(calls: int) -> Iterator[tuple[int, float | None]]:
        for place in sorted(rng.randint(0, calls) for _ in range(tries)):
            yield place, rng.choice([0.0, 1.0, None])

    yield from _replayed(step, work, after, chosen, rng)


def every_cut(step: Step, work: Path, after: Path, every: int, rng: random.Random) -> Iterator[list[str]]:
    """The same at every place, or every so many: with nothing, all, and a part by chance of what was not flushed."""

    def chosen(calls: int) -> Iterator[tuple[int, float | None]]:
        for place in range(calls % every, calls + 1, every):  # the last one is among them
            yield from ((place, luck) for luck in (0.0, 1.0, None))

    yield from _replayed(step, work, after, chosen, rng)


def _replayed(
    step: Step,
    work: Path,
    after: Path,
    chosen: Callable[[int], Iterator[tuple[int, float | None]]],
    rng: random.Random,
) -> Iterator[list[str]]:
    put_back(step, work)
    disk = power.Cut(work)
    with tempfile.TemporaryDirectory() as folder:
        log = os.open(Path(folder) / "log", os.O_CREAT | os.O_WRONLY)
        ran = in_fork(step.words, work, on_disk(work, log))
        os.close(log)
        seen = power.events(Path(folder) / "log")
    judged: dict[tuple[bool, bytes], list[str]] = {}
    answered, number = False, 0
    for place, luck in chosen(len(seen)):
        for event in seen[number:place]:
            disk.see(event)
            answered = answered or event.kind == "A"
        number = place
        shutil.rmtree(after, ignore_errors=True)
        after.mkdir()
        copy.deepcopy(disk).left(after, rng, luck)
        state = (answered, _digest(after))
        if state not in judged:  # many cuts leave the very same
            judged[state] = left(step, Ran(-signal.SIGKILL, ran.out if answered else "", ""), after)
        yield judged[state]


def _digest(folder: Path) -> bytes:
    made = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            content = path.read_bytes()
            made.update(f"{path.relative_to(folder)} {len(content)} ".encode() + content)
    return made.digest()


# the other faults


@dataclass(frozen=True)
class Disturbance:
    """What goes wrong around a command: how its process begins, and what else holds on to the book meanwhile."""

    arm: Arm = lambda: None
    around: Callable[[Path], AbstractContextManager[Any]] = lambda work: nullcontext()


def disturbed(step: Step, work: Path, how: Disturbance) -> list[str]:
    """One run under a fault, and what it left; unlike a kill it ends by itself and says how."""
    put_back(step, work)
    with how.around(work):
        ran = in_fork(step.words, work, how.arm)
    found = left(step, ran, work)
    if ran.code < 0:
        found.append(f"traceback: ended by signal {-ran.code}")
    if ran.code == 0 and rows_of(work / BOOK) != step.rows:
        found.append("lost: left with 0, and the book is not as a whole run leaves it")
    if ran.code in (2, 130) and not ran.err.strip():
        found.append(f"silent: left with {ran.code} and without a word")
    return found


def _full(step: Step, rng: random.Random, work: Path) -> Disturbance:
    most = rng.choice([2_000, 20_000, 200_000])
    return Disturbance(on_disk(work, room=rng.randint(0, most)))


def _read_only(step: Step, rng: random.Random, work: Path) -> Disturbance:
    return Disturbance(on_disk(work, read_only=rng.choice([errno.EROFS, errno.EACCES])))


def _clock(step: Step, rng: random.Random, work: Path) -> Disturbance:
    return Disturbance(
        on_disk(work, ahead=rng.choice([-1, 1]) * rng.choice([60, 86_400, 40 * 86_400, 20 * 31_557_600]))
    )


@contextmanager
def _holding(work: Path) -> Iterator[None]:
    if not (work / BOOK).exists():
        yield
        return
    with closing(sqlite3.connect(work / BOOK, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield


def _locked(step: Step, rng: random.Random, work: Path) -> Disturbance:
    def arm() -> None:
        engine.BUSY_SECONDS = 0.05

    return Disturbance(arm, _holding)


def _locale(step: Step, rng: random.Random, work: Path) -> Disturbance:
    code = rng.choice(["ascii", "latin-1", "cp437", "cp1252", "shift_jis", "koi8-r", "utf-16"])

    def arm() -> None:
        for stream in (sys.stdout, sys.stderr):
            stream.reconfigure(encoding=code)  # type: ignore[union-attr] # text streams of the fork

    return Disturbance(arm)


def _closed(step: Step, rng: random.Random, work: Path) -> Disturbance:
    def arm() -> None:
        from_here, to_nobody = os.pipe()
        os.close(from_here)
        os.dup2(to_nobody, 1)
        sys.stdout = os.fdopen(1, "w", encoding="utf-8", closefd=False)

    return Disturbance(arm)


def _stopped(step: Step, rng: random.Random, work: Path) -> Disturbance:
    mark = rng.randint(1, max(step.marks, 1))

    def arm() -> None:
        assert _Marks.now is not None
        _Marks.now.at = mark
        _Marks.now.then = lambda: os.kill(os.getpid(), signal.SIGINT)

    return Disturbance(arm)


DISTURBANCES: dict[str, Callable[[Step, random.Random, Path], Disturbance]] = {
    "full disk": _full,
    "read-only folder": _read_only,
    "locked book": _locked,
    "clock jump": _clock,
    "odd encoding": _locale,
    "closed pipe": _closed,
    "Ctrl-C": _stopped,
}


# a shop's day


def day(folder: Path, *, short: bool = False) -> list[Step]:
    """Every command's example in the order of a day, each with the folder before it.

    A short day leaves out what takes a fit, but for a release and a report on the demo's study.
    """
    from doe.acts.study import worth as sizes
    from doe.practice import worth
    from tests.cli.test_examples import in_order, make_ready
    from tests.shop import Shop

    worth.LINES, sizes._cores = 1, lambda: 1
    shop_folder, home = folder / "shop", Path.cwd()
    shop_folder.mkdir(parents=True)
    os.chdir(shop_folder)
    shop, steps = Shop(shop_folder, shop_folder / BOOK), []
    os.environ.update(DOE_CACHE=str(folder / "cache"), XDG_STATE_HOME=str(folder), XDG_DATA_HOME=str(folder))
    for number, words in enumerate(in_order()):
        is_long = words[0] not in LIGHT and "--choose" not in words
        if words[0] in ("bench", "open", "demo") or (short and is_long):
            continue
        ready = make_ready(shop, words)
        before = folder / f"before-{number}"
        shutil.copytree(shop_folder, before)
        shop.good(*ready)  # here too, so that every fork finds loaded what it needs
        steps.append((ready, before))
    if short:
        steps += _of_a_fit(folder)
    older = folder / "older"
    older.mkdir()
    with closing(sqlite3.connect(older / BOOK)) as connection:
        connection.executescript((Path(__file__).parent / "book" / "book_of_schema_0001.sql").read_text())
    shutil.copytree(older, folder / "warm")
    with Book.open(folder / "warm" / BOOK, who="ana", upgrade=True):
        steps.append((["book", "upgrade"], older))
    os.chdir(home)
    warm()
    whole = [made(words, before, folder / "work") for words, before in steps]
    for step, ran in whole:
        assert ran.code == 0, (step.words, ran)
    return [step for step, _ in whole]


def _of_a_fit(folder: Path) -> list[tuple[list[str], Path]]:
    from tests.acts.recipe.samples import TYPED
    from tests.postgres import Places
    from tests.shop import STUDY, Shop, _make

    fitted, before = folder / "fitted", folder / "before-fitted"
    for made in (fitted, before):
        made.mkdir()
    os.chdir(fitted)
    shop = Shop(fitted, fitted / BOOK)
    shutil.copy(_make(fitted, 2, Places(None)), shop.book)
    shop.good("recommend", STUDY)
    shutil.copy(shop.open().backup(folder / "fitted.sqlite"), before / BOOK)
    steps = [["release", STUDY, *TYPED, "--exception", "trial order"], ["report", STUDY, "-o", "report.html"]]
    for words in steps:
        shop.good(*words)
    return [(words, before) for words in steps]


LIGHT = {"stack", "line", "gauge", "study", "record", "sheet", "book"}
"""Commands that take no fit."""
