"""What a book remembers of what it read: right at every moment, whoever stores something, and from wherever."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from doe.book.book import Book
from doe.book.records import STEP
from doe.domain.errors import InputError
from doe.domain.gauge import GaugeReading
from doe.domain.limits import Limits
from doe.domain.plan_kinds import CONFIRM
from doe.domain.score import ScoreEntry
from doe.domain.stack import Line
from tests.book.samples import RECIPE, WHEN, make_plan, make_study

FIRST = "first article"
PHOTO = b"\xff\xd8\xff" + bytes(40)


def _columns(book: Book) -> dict[str, list[Any]]:
    frame = book.results(1, include_void=True)
    return dict(frame.astype(object).where(frame.notna(), None).to_dict("list"))


READS: dict[str, Callable[[Book], Any]] = {
    "study": lambda book: (book.study(1), book.study(FIRST), [s.id for s in book.studies(include_archived=True)]),
    "plan": lambda book: (book.plan_info(1), book.plan_coupons(1).to_dict("list")),
    "history": lambda book: (book.history(1), book.history(1, "R1-02"), book.history(FIRST)),
    "results": lambda book: (book.result_columns(1), _columns(book)),
    "states": lambda book: book.coupon_states(1),
    "grades": lambda book: book.grades_at_odds(1),
    "analyses": lambda book: (
        book.analyses(1),
        book.analyses(1, "fit"),
        book.latest_analysis(1, "fit"),
        book.analyses_of_kind("fit"),
    ),
    "notes": lambda book: (book.notes("remark"), book.notes("remark", "tees")),
    "steps": lambda book: book.notes(STEP, FIRST),
    "recipes": lambda book: (book.recipes(), book.recipes("tee white")),
    "limits": lambda book: book.limits_on_record(),
    "lines": lambda book: book.lines(),
    "readings": lambda book: (book.gauge_history("line 1"), book.gauge_readings("line 1")),
    "photos": lambda book: (book.photos(1), book.photos(1, "R1-01")),
    "last act": lambda book: book.last_act(),
}
"""Everything that is remembered, by what it is about."""


def _score(name: str = "R1-01", **said: Any) -> Callable[[Book], object]:
    why = said.pop("why", "")
    return lambda book: book.record(1, [ScoreEntry(name, **said)], why=why)


def _fit(book: Book) -> object:
    return book.save_analysis(1, kind="fit", inputs_hash="x", seed=1, version="1", payload={"verdict": "met"})


def _limited(book: Book) -> object:
    limits = Limits(film_max_degc=150.0, sources={"film_max_degc": "invented sheet"})
    return book.amend_study(1, replace(book.study(1).study, limits=limits), "sheet read")


def _reading() -> GaugeReading:
    return GaugeReading("press", 150.0, 151.0, 148.0, "centre", "probe", WHEN)


WRITES: tuple[tuple[Callable[[Book], object], tuple[str, ...]], ...] = (
    (_score(checks={"release": True}, hand={"ana": 4.0}), ("history", "results", "states")),
    (_score(checks={"release": False}, why="looked again"), ("history", "results", "states")),
    (_score("R1-02", symptoms=("no_transfer",), note="torn"), ("history", "results")),
    (_score("R1-02", void_reason="dropped"), ("history", "results", "states")),
    (lambda book: book.take_back(1, coupon="R1-02", why="it was another one"), ("history", "results", "states")),
    (lambda book: book.save_round(1, make_plan(2, number=2), kind=CONFIRM, seed=3), ("plan", "results", "states")),
    (_score("R2-01", checks={"release": True}), ("history", "results", "states")),
    (_fit, ("analyses",)),
    (lambda book: book.save_note("remark", "tees", {"text": "one"}), ("notes",)),
    (lambda book: book.withdraw_note(book.notes("remark")[0].id, "wrong"), ("notes",)),
    (lambda book: book.save_note(STEP, FIRST, {"coupon": "R1-03", "step": "cured"}), ("steps",)),
    (lambda book: book.withdraw_note(book.notes(STEP)[0].id, "wrong"), ("steps",)),
    (lambda book: book.add_photo(1, "R1-01", PHOTO, face="print", media_type="image/jpeg"), ("photos",)),
    (lambda book: book.withdraw_photo(book.photos(1)[0].id, "blurred"), ("photos",)),
    (lambda book: book.add_gauge_reading("line 1", _reading()), ("readings",)),
    (lambda book: book.withdraw_gauge_reading(book.gauge_history("line 1")[0].id, "misread"), ("readings",)),
    (lambda book: book.save_line(Line("line 2")), ("lines",)),
    (_limited, ("study", "limits")),
    (lambda book: book.release_recipe(RECIPE, study=1), ("recipes",)),
    (lambda book: book.retire_recipe("tee white", "replaced"), ("recipes",)),
    (lambda book: book.archive_study(1, "done"), ("study", "limits")),
    (lambda book: book.add_study(make_study(), stack="blank A", line="line 1"), ("study",)),
)
"""Acts of another program, each with what it changes."""

BESIDE = """
import sys
from doe.book.book import Book
from tests.book.test_memory import WRITES
for line in sys.stdin:
    with Book.open(sys.argv[1], who="beside", create=False) as book:
        WRITES[int(line)][0](book)
    print("stored", flush=True)
"""


def read_all(book: Book) -> dict[str, Any]:
    return {name: read(book) for name, read in READS.items()}


def read_anew(target: str) -> dict[str, Any]:
    with Book.open(target, who="fresh", create=False) as fresh:
        return read_all(fresh)


@pytest.fixture
def target(book: Book) -> str:
    """Where the book is, for another program."""
    url = book._engine.url
    return str(url.database) if url.get_backend_name() == "sqlite" else url.render_as_string(hide_password=False)


@contextmanager
def program_beside(target: str) -> Iterator[Callable[[int], None]]:
    """Another program that stores one of `WRITES` at a time."""
    program = subprocess.Popen(
        [sys.executable, "-c", BESIDE, target], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert program.stdin is not None
    assert program.stdout is not None

    def store(number: int) -> None:
        assert program.stdin is not None
        assert program.stdout is not None
        print(number, file=program.stdin, flush=True)
        assert program.stdout.readline() == "stored\n"

    try:
        yield store
    finally:
        program.stdin.close()
        assert program.wait(30) == 0
        program.stdout.close()


def test_what_another_program_stores_is_seen_at_once_in_everything_that_is_remembered(book: Book, target: str) -> None:
    changed: set[str] = set()
    with program_beside(target) as store:
        before = read_all(book)
        assert read_all(book) == before == read_anew(target)
        for number, (_, changes) in enumerate(WRITES):
            store(number)
            now = read_all(book)
            assert now == read_anew(target), number
            # each act changes what it says, or nothing would be seen by comparing
            assert all(now[name] != before[name] for name in (*changes, "last act")), number
            changed |= {name for name in READS if now[name] != before[name]}
            before = now
    assert changed >= READS.keys() - {"grades"}


def test_what_is_stored_through_the_same_door_is_seen_at_once_too(book: Book, target: str) -> None:
    for number, (write, _) in enumerate(WRITES):
        write(book)
        assert read_all(book) == read_anew(target), number


def test_what_was_not_stored_in_the_end_is_not_remembered(book: Book, target: str) -> None:
    before = read_all(book)

    def store_and_fail() -> None:
        with book.writing():
            WRITES[0][0](book)
            book.save_note("remark", "tees", {"text": "never"})
            assert READS["history"](book) != before["history"]
            assert book.notes("remark")
            assert book.last_act() > before["last act"]
            book.study("nothing")

    with pytest.raises(InputError):
        store_and_fail()
    assert read_all(book) == before
    # the numbers that those acts had are given again, to others
    book.record(1, [ScoreEntry("R1-04", hand={"ben": 2.0})])
    book.save_note("remark", "tees", {"text": "this one"})
    assert read_all(book) == read_anew(target)
    assert [note.data for note in book.notes("remark")] == [{"text": "this one"}]


def test_a_look_stays_as_it_was_and_its_own_acts_show_in_it(book: Book, target: str) -> None:
    with Book.open(target, who="ben", create=False) as ben, book.reading():
        before = read_all(book)
        WRITES[0][0](ben)
        assert read_all(book) == before
        book.look_again()
        assert read_all(book) == read_anew(target)
        book.save_note("remark", "tees", {"text": "mine"})
        assert read_all(book) == read_anew(target)


def test_an_older_look_under_way_spoils_nothing_for_a_newer_one(book: Book, target: str) -> None:
    old, go_on, seen = threading.Event(), threading.Event(), []

    def look() -> None:
        with book.reading():
            first = book.last_act()
            old.set()
            assert go_on.wait(30)
            seen.append((first, book.last_act(), book.history(1), book.notes("remark")))

    with Book.open(target, who="ben", create=False) as ben:
        book.history(1)
        other = threading.Thread(target=look)
        other.start()
        assert old.wait(30)
        WRITES[0][0](ben)
        ben.save_note("remark", "tees", {"text": "new"})
        assert len(book.history(1)) == 2
        assert len(book.notes("remark")) == 1
        go_on.set()
        other.join()
        [(first, last, history, notes)] = seen
        assert (first, history, notes) == (last, (), ())
        assert read_all(book) == read_anew(target)


def test_what_somebody_does_with_columns_they_were_given_stays_theirs(book: Book) -> None:
    WRITES[0][0](book)
    given = book.result_columns(1)
    given["passed"][0] = "changed"
    del given["coupon"]
    assert book.result_columns(1)["passed"][0] is True
    assert "coupon" in book.result_columns(1)


def test_a_book_of_many_studies_keeps_no_more_than_so_much(book: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("doe.book.memory.MOST", 5)
    for number in range(8):
        book.notes("remark", f"name {number}")
    assert len(book._memory._kept) == 5


def test_a_correction_read_further_marks_what_it_supersedes(book: Book, target: str) -> None:
    with Book.open(target, who="ana", now=lambda: WHEN + timedelta(days=1), create=False) as ana:
        for hand, why in ((3.0, ""), (3.5, "again"), (4.0, "and again")):
            ana.record(1, [ScoreEntry("R1-01", hand={"ana": hand})], why=why)
            said = book.history(1)
            assert [entry.current for entry in said] == [False] * (len(said) - 1) + [True]
    assert len(book.history(1)) == 3
    assert book.result_columns(1)["hand_ana"][0] == 4.0
