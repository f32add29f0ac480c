"""A real PostgreSQL server for the tests: Debian's programs, a folder of its own, loopback only, never as root."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
import sqlalchemy as sa

OWNER, PASSWORD = "owner", "se cret@/:%"
"""The role that the tests connect as; its password has every sign that a URL must escape."""


def programs() -> Path | None:
    """Folder with the server's programs, the newest there is."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"), key=lambda path: float(path.parts[-3]))
    on_path = shutil.which("postgres")
    return found[-1].parent if found else Path(on_path).parent if on_path else None


@dataclass
class Server:
    """A server that can be stopped the hard way and started again; ``asking`` is the owner's connection to it."""

    programs: Path
    folder: Path
    port: int
    user: str | None
    process: subprocess.Popen[bytes] | None = None
    made: list[str] = field(default_factory=list)
    asking: Any = None

    def url(self, database: str, *, role: str = OWNER, password: str = PASSWORD) -> str:
        """URL of a database."""
        made = sa.URL.create("postgresql", role, password, "127.0.0.1", self.port, database)
        return made.render_as_string(hide_password=False)

    def start(self) -> None:
        """Start it and wait until it answers."""
        words = [self.programs / "postgres", "-D", self.folder / "data", "-p", str(self.port), "-k", self.folder]
        # what a killed program has written is in the system's hands: only a power cut would need fsync
        words += ["-c", "listen_addresses=127.0.0.1", "-c", "max_connections=60", "-c", "fsync=off"]
        # databases are made by the hundred, each read by one test: little is logged, nobody cleans up behind them
        words += ["-c", "wal_level=minimal", "-c", "max_wal_senders=0", "-c", "full_page_writes=off"]
        words += ["-c", "max_wal_size=128MB", "-c", "autovacuum=off"]
        deadline = time.monotonic() + 60
        while True:
            with (self.folder / "log").open("ab") as log:
                self.process = subprocess.Popen(words, user=self.user, stdout=log, stderr=log, cwd=self.folder)
            while self.process.poll() is None:
                if not self.run("pg_isready", "-h", "127.0.0.1", "-p", str(self.port), check=False):
                    return
                time.sleep(0.05)
            # parts of a server that was killed may still be ending
            assert time.monotonic() < deadline, (self.folder / "log").read_text()
            time.sleep(0.1)

    def kill(self) -> None:
        """End it as a power cut would: no word to anybody."""
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def run(self, *words: str | Path, check: bool = True) -> int:
        """Run one of the server's programs as the server's user."""
        command = [self.programs / words[0], *words[1:]]
        return subprocess.run(
            command, user=self.user, check=check, cwd=self.folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        ).returncode

    def execute(self, *statements: str, database: str = "postgres") -> None:
        """Run statements, each by itself; those about databases over a connection that stays."""
        import psycopg  # an extra: tests without a server do without

        place: dict[str, Any] = {"host": "127.0.0.1", "port": self.port, "dbname": database}
        place |= {"user": OWNER, "password": PASSWORD, "autocommit": True}
        if database != "postgres":
            with psycopg.connect(**place) as connection:
                for statement in statements:
                    connection.execute(statement.encode())
            return
        for statement in statements:
            if self.asking is None or self.asking.closed:
                self.asking = psycopg.connect(**place)
            try:
                self.asking.execute(statement.encode())
            except psycopg.OperationalError:
                if not self.asking.closed:  # refused, by a server that is there
                    raise
                self.asking = psycopg.connect(**place)  # it died meanwhile, and was started again
                self.asking.execute(statement.encode())

    def database(self, like: str | None = None) -> str:
        """URL of a new database: empty, or a copy of another one of `database`."""
        name = f"book_{uuid4().hex[:10]}"
        template = f" TEMPLATE {sa.make_url(like).database}" if like else ""
        if (version := self.programs.parts[-2]).isdigit() and int(version) >= 15:
            template += " STRATEGY FILE_COPY"  # in memory half of the work of writing each page to the log
        for tries_left in range(30, -1, -1):
            try:
                self.execute(f"CREATE DATABASE {name}{template}")
                break
            except Exception as error:  # a connection to the other one may still be ending
                if not tries_left or getattr(error, "sqlstate", "") != "55006":
                    raise
        self.made.append(name)
        return self.url(name)

    def drop(self, names: Sequence[str]) -> None:
        """Do away with databases: each is hundreds of files."""
        if names:
            self.execute(*(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)" for name in names))
        self.made = [name for name in self.made if name not in names]


_MEMORY = Path("/dev/shm")


def _has_room(place: Path) -> bool:
    """Whether a server finds room there: its own files, its log, and the databases of one test beside those kept."""
    return place.is_dir() and os.access(place, os.W_OK) and shutil.disk_usage(place).free > 2 << 30


@contextlib.contextmanager
def running() -> Iterator[Server]:
    """A server of its own, gone at the end."""
    found = programs()
    assert found is not None
    user = "postgres" if hasattr(os, "geteuid") and os.geteuid() == 0 else None  # the server refuses root
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    # short: a socket's path may have 107 letters; on a disk in memory a database takes a tenth of the work
    folder = Path(tempfile.mkdtemp(prefix="pg-", dir=_MEMORY if _has_room(_MEMORY) else None))
    server = Server(found, folder, port, user)
    try:
        (folder / "password").write_text(PASSWORD)
        if user:
            for path in (folder, folder / "password"):
                shutil.chown(path, user)
        words = ["-D", folder / "data", "-U", OWNER, f"--pwfile={folder / 'password'}", "-A", "scram-sha-256"]
        server.run("initdb", *words, "-E", "UTF8", "--locale=C.UTF-8", "-N")
        server.start()
        yield server
    finally:
        if server.asking is not None:
            server.asking.close()
        if server.process is not None and server.process.poll() is None:
            server.process.send_signal(signal.SIGQUIT)  # stop at once: nothing of it is kept
            try:
                server.process.wait(timeout=20)
            except subprocess.TimeoutExpired:
                server.kill()
        shutil.rmtree(folder, ignore_errors=True)


BOOKS = {"book", "shop_with", "empty_shop", "book_with", "scored_book", "place"}
"""Fixtures whose books lie on a server when the tests are asked for with --server."""


def pytest_addoption(parser: pytest.Parser) -> None:
    """Let the tests whose book comes from a fixture run on a server instead of a file."""
    parser.addoption("--server", action="store_true", help="keep the books of the tests on a PostgreSQL server")


def _why_not(item: pytest.Item) -> str | None:
    """Why a test is left out on a server; None where it runs there."""
    if not BOOKS & set(getattr(item, "fixturenames", ())):
        return "makes no book, or books of its own"
    if item.get_closest_marker("browser"):
        return "a browser sees what it sees over a file; what stores and shows it is asked on the server by the rest"
    marker = item.get_closest_marker("in_file")
    return marker and str(marker.args[0])


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """With --server, leave out what says nothing of a server, each for a reason that is counted in the summary."""
    without = [
        m for item in items if (m := item.get_closest_marker("in_file")) and not (len(m.args) == 1 and m.args[0])
    ]
    if without:
        raise pytest.UsageError("in_file wants the reason: why a test cannot be asked on a server")
    if config.getoption("--server"):
        why = {item: _why_not(item) for item in items}
        left = [item for item in items if why[item] is not None]
        config.stash[LEFT] = Counter(str(why[item]) for item in left)
        config.hook.pytest_deselected(items=left)
        items[:] = [item for item in items if why[item] is None]


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say what was not run on the server, and why."""
    for reason, count in sorted(config.stash.get(LEFT, Counter()).items(), key=lambda told: -told[1]):
        terminalreporter.write_line(f"not on the server: {count:4d}, {reason}")


LEFT = pytest.StashKey[Counter[str]]()

Place = Callable[..., Path | str]
"""Where a book of a name may be made."""


class Places:
    """Where the books of the tests are: files in a folder, or databases of a server."""

    def __init__(self, server: Server | None) -> None:
        self.server = server

    def new(self, path: Path) -> Path | str:
        """Where a book that is not there yet may be made: the path, or an empty database."""
        return path if self.server is None else self.server.database()

    def copy(self, book: Path | str, path: Path) -> Path | str:
        """A copy of a book that nobody has open."""
        if self.server is not None:
            return self.server.database(str(book))
        shutil.copy(book, path)
        return path


@pytest.fixture(scope="session")
def places(request: pytest.FixtureRequest) -> Places:
    """Where the books of this run are."""
    on_server = request.config.getoption("--server")
    return Places(request.getfixturevalue("postgres") if on_server else None)


@pytest.fixture(autouse=True)
def _databases_go(request: pytest.FixtureRequest) -> Iterator[None]:
    """With --server, what a test has made on it goes with the test; what its session has made was there before."""
    if not request.config.getoption("--server"):
        yield
        return
    server: Server = request.getfixturevalue("postgres")
    before = list(server.made)
    yield
    server.drop([name for name in server.made if name not in before])


@pytest.fixture
def place(places: Places, tmp_path: Path) -> Place:
    """Where a book of a name may be made; on a server each is another one."""
    return lambda name="shop": places.new(tmp_path / f"{name}.sqlite")


def needed() -> None:
    """Skip, with the reason, where there is no server to start; never in CI."""
    if os.environ.get("CI"):
        return
    pytest.importorskip("psycopg", reason="the driver is not installed: pip install -e '.[server]'")
    if programs() is None:
        pytest.skip("no PostgreSQL here: apt-get install postgresql")


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    """One server for all tests of a process; skipped, with the reason, where there is none, but never in CI."""
    needed()
    with running() as server:
        yield server
