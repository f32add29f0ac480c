"""The server dies in the middle of an act, at a statement or a commit: nothing confirmed is lost, nothing is half."""

from __future__ import annotations

import os
import signal
import sys
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from doe.book import engine as of_book
from doe.book.book import Book
from doe.book.schema import migrate
from tests.acts.recipe.samples import TYPED
from tests.book.samples import fill
from tests.postgres import PASSWORD, Places, Server, needed, running
from tests.shop import STUDY, CommandResult, Shop, _make

SECRETS = (PASSWORD, "se cret", "cret%40", "se%20cret")

pytestmark = [
    pytest.mark.in_file("a server of its own, which is killed"),
    pytest.mark.skipif(sys.platform != "linux", reason="finds the server's processes in /proc"),
]


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    """A server that may be killed."""
    needed()
    with running() as made:
        yield made


@dataclass(frozen=True)
class Case:
    """An act on a book of a server."""

    words: tuple[str, ...]
    before: str
    """URL of the book before it; copied for every try."""


def of_study(rounds: int, *words: str, ready: tuple[str, ...] = ()) -> Callable[[Server, Path], Case]:
    """An act on the study of the shop."""

    def make(server: Server, folder: Path) -> Case:
        shop = Shop(folder, _make(folder, rounds, Places(server)))
        if ready:
            shop.good(*ready)
        return Case(words, str(shop.book))

    return make


def importing(server: Server, folder: Path) -> Case:
    """A book of a file, with a photo, comes into one on the server that has a study already."""
    with Book.open(folder / "from.sqlite", who="Ina") as file:
        fill(file, "another")
        file.add_photo("another", "R1-01", b"\xff\xd8\xff" + bytes(5000), face="print", media_type="image/jpeg")
        exported = file.export(folder / "from.zip")
    url = server.database()
    with Book.begin(url, who="Ina") as book:
        fill(book)
    return Case(("book", "import", str(exported)), url)


def upgrading(server: Server, _folder: Path) -> Case:
    """A book of the first schema."""
    url = server.database()
    made = sa.create_engine(sa.make_url(url).set(drivername="postgresql+psycopg"))
    with made.begin() as connection:
        migrate(connection, "0001")
        connection.exec_driver_sql("INSERT INTO book_info VALUES (1, 'x', 'now', 'Ina')")
        connection.exec_driver_sql(
            "INSERT INTO acts (at, who, verb, subject, why, rows_added) "
            "VALUES ('2026-01-01T00:00:00+00:00', 'Ina', 'look', 'the book', '', 0)"
        )
    made.dispose()
    return Case(("book", "upgrade"), url)


CASES: dict[str, Callable[[Server, Path], Case]] = {
    "record": of_study(1, "record", STUDY, "--coupon", "R1-01", "--note", "n", "--hand", "ben=4", "--why", "w"),
    "release": of_study(2, "release", STUDY, *TYPED, "--exception", "trial order", ready=("recommend", STUDY)),
    "export": of_study(1, "book", "export", "out.zip"),
    "import": importing,
    "upgrade": upgrading,
}


@contextmanager
def dying(server: Server, at: int) -> Iterator[list[str]]:
    """Kill every process of the server at a mark: before each statement, before and after each commit; lists them."""
    seen: list[str] = []

    def pass_by(what: str) -> None:
        seen.append(what)
        if len(seen) == at:
            kill_all(server)

    def on_statement(_connection: Any, _cursor: Any, statement: str, *_more: Any) -> None:
        pass_by(statement)

    dialect = sa.engine.default.DefaultDialect
    commit = dialect.do_commit

    def committing(self: Any, connection: Any) -> None:
        pass_by("before commit")
        commit(self, connection)
        pass_by("after commit")

    sa.event.listen(sa.Engine, "before_cursor_execute", on_statement)
    dialect.do_commit = committing  # type: ignore[method-assign]
    try:
        yield seen
    finally:
        dialect.do_commit = commit  # type: ignore[method-assign]
        sa.event.remove(sa.Engine, "before_cursor_execute", on_statement)


def kill_all(server: Server) -> None:
    """The whole server at once, also the process that is about to answer us."""
    assert server.process is not None
    pid = server.process.pid
    helpers = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    server.kill()
    for helper in helpers:
        os.kill(int(helper), signal.SIGKILL)


def rows_of(url: str) -> dict[str, list[Any]]:
    """How many rows each table has, and the schema."""
    looking = sa.create_engine(sa.make_url(url).set(drivername="postgresql+psycopg"))
    with looking.connect() as connection:
        names = sorted(sa.inspect(connection).get_table_names())
        found = {n: [connection.exec_driver_sql(f'SELECT count(*) FROM "{n}"').scalar()] for n in names}
        found["book_version"] += connection.exec_driver_sql("SELECT version_num FROM book_version").scalars().all()
    looking.dispose()
    return found


def places(marks: list[str]) -> list[int]:
    """Marks to die at: the first, some between, each around a commit, and the last."""
    commits = [number for number, what in enumerate(marks, start=1) if what.endswith("commit")]
    writes = [number for number, what in enumerate(marks, start=1) if what.startswith("INSERT")]
    chosen = {1, len(marks) // 2, len(marks), *commits[-2:], *writes[:1], *writes[-1:]}
    return sorted(number for number in chosen if number >= 1)


def check_words(answer: CommandResult, log: Path) -> None:
    """One line that says what to do, and no password anywhere."""
    assert answer.code == 2, (answer.code, answer.err)
    (line,) = answer.errors
    assert "a server that stopped answering" in line or "a server that answers" in line
    assert "repeat" in line
    kept = log.read_text() if log.exists() else ""
    assert not any(secret in answer.out + answer.err + kept for secret in SECRETS)


@pytest.mark.parametrize("what", CASES)
def test_a_server_that_dies_in_the_middle_costs_no_more_than_a_repetition(
    server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    log = tmp_path / "state" / "doe" / "log" / "doe.log"
    case, file = CASES[what](server, tmp_path), tmp_path / "out.zip"
    old = rows_of(case.before)
    book = server.database(case.before)
    with dying(server, 0) as marks:
        Shop(tmp_path, book).good(*case.words)
    whole = rows_of(book)
    assert (whole == old) == (what == "export")
    died = 0
    for at in places(marks):
        file.unlink(missing_ok=True)
        book = server.database(case.before)
        shop = Shop(tmp_path, book)
        with dying(server, at):
            answer = shop.run(*case.words)
        assert server.process is not None
        assert server.process.poll() is not None, "it was not killed"
        server.start()
        left = rows_of(book)
        assert left in (old, whole), f"half at {marks[at - 1]}"
        if answer.code:
            died += 1
            check_words(answer, log)
        else:  # it died when everything was said and done
            assert left == whole
        if file.exists():
            assert zipfile.ZipFile(file).testzip() is None
        assert list(tmp_path.glob(".*.part*")) == []
        with Book.open(book, who="Ina", upgrade=True) as opened:
            assert opened.check() == []
        if what == "upgrade":
            assert rows_of(book) == whole
        elif left == old and not file.exists():
            shop.good(*case.words)
            assert rows_of(book) == whole
    assert died > 1, marks


def test_what_nobody_expected_is_logged_without_the_password(
    server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    shop = Shop(tmp_path, server.database(_make(tmp_path, 1, Places(server))))  # type: ignore[arg-type] # a URL
    monkeypatch.setattr(of_book, "_refusal", lambda *_: None)  # as if the database's answer were unknown to us
    with dying(server, 3):
        answer = shop.run("record", STUDY, "--coupon", "R1-01", "--note", "n", "--why", "w")
    server.start()
    assert (answer.code, len(answer.errors)) == (3, 1)
    kept = (tmp_path / "doe" / "log" / "doe.log").read_text()
    assert "Traceback" in kept
    assert not any(secret in answer.out + answer.err + kept for secret in SECRETS)
