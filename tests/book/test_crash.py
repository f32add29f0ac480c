"""Nothing that was acknowledged is lost, nothing is half-written: two writers at once, and kills at random times."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from doe.book.book import Book
from doe.book.tables import SCHEMA_VERSION
from doe.domain.score import ScoreEntry
from tests.book.samples import fill, ticking

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs fork and SIGKILL, which Windows does not have")

S = "first article"
OLDER = Path(__file__).with_name("book_of_schema_0001.sql")


def child(work: Callable[[int], None]) -> tuple[int, int]:
    """Run ``work`` in a process of its own; returns its id and the pipe that ``work`` acknowledges to.

    A fork, not a new interpreter: imports are done already, so that a kill hits the book and not the start-up.
    """
    from_child, to_parent = os.pipe()
    pid = os.fork()
    if pid:
        os.close(to_parent)
        return pid, from_child
    code = 1
    try:
        os.close(from_child)
        work(to_parent)
        code = 0
    finally:
        os._exit(code)


def wait_for(pipe: int, lines: int) -> bytes:
    """Read a pipe until it has given so many lines."""
    said = b""
    while said.count(b"\n") < lines:
        said += os.read(pipe, 4096) or pytest.fail("the child ended before it was killed")
    return said


def acknowledged(pipe: int) -> list[str]:
    with os.fdopen(pipe, "rb") as stream:
        return stream.read().decode().splitlines()


def ends_well(pid: int) -> bool:
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 0


def scores(coupon: str, number: int) -> ScoreEntry:
    return ScoreEntry(
        coupon,
        checks={"release": number % 2 == 0, "stretch": True},
        hand={"ana": 1 + number % 9 / 2, "bo": 3.5},
        note=f"look {number}",
    )


def test_every_acknowledged_coupon_survives_a_kill_at_any_time(tmp_path: Path) -> None:
    path = tmp_path / "shop.sqlite"
    kills, coupons = 25, 300
    with Book.open(path, who="Ina") as book:
        fill(book, coupons=coupons)
    names = [f"R1-{i + 1:02d}" for i in range(coupons)]
    rng = random.Random(20)
    done: set[str] = set()
    first_at_risk = 0

    def record_from(start: int) -> Callable[[int], None]:
        def work(pipe: int) -> None:
            with Book.open(path, who="Ina") as book:
                for number, name in enumerate(names[start:]):
                    book.record(S, [scores(name, number)])
                    os.write(pipe, f"{name}\n".encode())

        return work

    for kill in range(kills):
        pid, pipe = child(record_from(first_at_risk))
        said = wait_for(pipe, rng.randint(0, 6))  # after none, the kill hits the opening of the book
        time.sleep(rng.uniform(0, 0.02))
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        done |= {*said.decode().split(), *acknowledged(pipe)}
        with Book.open(path, who="Bo") as book:
            stored: dict[str, set[str]] = {}
            for entry in book.history(S):
                stored.setdefault(entry.coupon, set()).add(entry.field)
        assert done <= set(stored), f"kill {kill}: lost {done - set(stored)}"
        assert all(len(fields) == 5 for fields in stored.values()), f"kill {kill}: a coupon is half-written"
        assert len(stored) - len(done) <= kills  # a kill may fall between commit and acknowledgement, once each
        first_at_risk = len(stored)
    assert len(done) > 2 * kills, "the kills came before anything was recorded: this shows nothing"
    with Book.open(path, who="Bo") as book:
        assert book.check() == []


def test_a_kill_while_a_book_is_made_leaves_nothing_in_the_way(tmp_path: Path) -> None:
    rng = random.Random(21)

    def work(path: Path) -> Callable[[int], None]:
        def make(_pipe: int) -> None:
            with Book.open(path, who="Ina") as book:
                fill(book)

        return make

    for kill in range(5):
        path = tmp_path / f"shop-{kill}.sqlite"
        pid, pipe = child(work(path))
        time.sleep(rng.uniform(0, 0.06))
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        os.close(pipe)
        with Book.open(path, who="Bo") as book:
            assert book.check() == []
            fill(book, name="after the kill")


def test_a_kill_while_a_book_is_upgraded_leaves_the_old_or_the_new_one(tmp_path: Path) -> None:
    rng = random.Random(22)
    for kill in range(5):
        path = tmp_path / f"shop-{kill}.sqlite"
        with closing(sqlite3.connect(path)) as connection:
            connection.executescript(OLDER.read_text())
        pid, pipe = child(lambda _pipe, path=path: Book.open(path, who="Ina").close())
        time.sleep(rng.uniform(0, 0.05))
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        os.close(pipe)
        with closing(sqlite3.connect(path)) as connection:
            assert connection.execute("SELECT version_num FROM book_version").fetchone()[0] in ("0001", SCHEMA_VERSION)
        with Book.open(path, who="Bo", now=ticking()) as book:
            assert book.check() == []
            assert len(book.history(1)) == 10


def test_two_processes_record_at_once_and_nothing_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "shop.sqlite"
    coupons = 40
    with Book.open(path, who="Ina") as book:
        fill(book, coupons=coupons)
    names = [f"R1-{i + 1:02d}" for i in range(coupons)]

    def record(who: str, mine: list[str]) -> Callable[[int], None]:
        def work(pipe: int) -> None:
            with Book.open(path, who=who) as book:
                for number, name in enumerate(mine):
                    book.record(S, [scores(name, number)])
                    # both correct the same coupon again and again
                    book.record(S, [ScoreEntry(names[0], hand={"cy": 1 + number % 9 / 2})], why=f"{who} {number}")
                    os.write(pipe, f"{name}\n".encode())

        return work

    children = [child(record("Ana", names[::2])), child(record("Bo", names[1::2]))]
    assert [ends_well(pid) for pid, _ in children] == [True, True]
    assert sorted(name for _, pipe in children for name in acknowledged(pipe)) == sorted(names)
    with Book.open(path, who="Ina") as book:
        assert book.check() == []
        frame = book.results(S)
        assert frame["passed"].notna().all()
        assert frame["hand_ana"].notna().all()
        chain = [e for e in book.history(S, names[0]) if e.field == "hand:cy"]
        assert [e.supersedes for e in chain] == [None, *(e.id for e in chain[:-1])]
        assert [e.current for e in chain] == [False] * (len(chain) - 1) + [True]
        assert {e.who for e in chain} == {"Ana", "Bo"}


def test_two_processes_make_the_same_book_at_once(tmp_path: Path) -> None:
    path = tmp_path / "shop.sqlite"

    def make(who: str) -> Callable[[int], None]:
        def work(_pipe: int) -> None:
            with Book.open(path, who=who) as book:
                fill(book, name=who)

        return work

    children = [child(make(who)) for who in ("Ana", "Bo", "Cy")]
    assert [ends_well(pid) for pid, _ in children] == [True, True, True]
    for _, pipe in children:
        os.close(pipe)
    with Book.open(path, who="Ina") as book:
        assert {study.name for study in book.studies()} == {"Ana", "Bo", "Cy"}
        assert book.check() == []


def test_a_writer_that_stays_is_waited_for_then_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "shop.sqlite"
    monkeypatch.setattr("doe.book.engine.BUSY_SECONDS", 0.2)
    with Book.open(path, who="Ina") as book:
        fill(book)
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            assert len(book.results(S)) == 4  # looking does not wait
            with pytest.raises(Exception, match="another program that keeps writing to it"):
                book.record(S, [scores("R1-01", 1)])
        assert book.record(S, [scores("R1-01", 1)]) == 5
