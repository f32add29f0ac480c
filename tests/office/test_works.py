"""Works in their own process, over real HTTP: two devices, a process that dies, a restart; nothing is left running."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

import pytest

from doe.acts.base import RECOMMEND
from doe.acts.cache import CACHE_DIR
from doe.book.book import Book
from tests.bench.process import Running, running
from tests.bench.shop import STUDY, hidden_fields, make_book
from tests.bench.test_beside import begun_by, is_there, until
from tests.benchmarks.bench_page_load import Asker
from tests.postgres import Places

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks for processes in /proc")
WORKING = "Working out what the coupons say"


@pytest.fixture
def scored_book(tmp_path: Path, places: Places, monkeypatch: pytest.MonkeyPatch) -> Path | str:
    """A book whose coupons are scored and not answered yet, by this run or another."""
    monkeypatch.setenv(CACHE_DIR, str(tmp_path / "cache"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "log"))
    return make_book(places.new(tmp_path / "shop.sqlite"))


def worker_of(page: Running) -> int:
    """The process that works are carried out in."""

    def found() -> list[int]:
        return [n for n in begun_by(page) if b"spawn_main" in Path(f"/proc/{n}/cmdline").read_bytes()]

    until(lambda: len(found()) == 1)
    return found()[0]


def tap(device: Asker, form: dict[str, str]) -> str:
    """Ask for the answer; the page that is seen then."""
    return device.client.post(f"/answer/{STUDY}", data=form, headers=device.headers).text


def answers(book: Path | str) -> int:
    """Answers that a book holds."""
    with Book.open(book, who="check") as opened:
        return len(opened.analyses(STUDY, RECOMMEND))


def test_a_process_that_dies_under_two_devices(scored_book: Path | str) -> None:
    with (
        running(scored_book, name="open") as page,
        Asker(page.address, "ana") as ana,
        Asker(page.address, "ben") as ben,
    ):
        form = hidden_fields(ana.client.get(f"/study/{STUDY}").text, f"/answer/{STUDY}")
        worker = worker_of(page)
        os.kill(worker, signal.SIGSTOP)  # so that it is in the middle for as long as the test wants
        assert WORKING in tap(ana, form)
        assert WORKING in tap(ben, hidden_fields(ben.client.get(f"/study/{STUDY}").text, f"/answer/{STUDY}"))
        os.kill(worker, signal.SIGKILL)
        until(lambda: ana.client.get(f"/working/answer-{STUDY}").status_code == 500)
        said = ben.client.get(f"/working/answer-{STUDY}")
        assert (said.status_code, "Something went wrong" in said.text) == (500, True)
        assert ana.answer(STUDY) > 0  # the next tap works it out, and ends where the answer stands
        # a tap with nothing changed since is answered at once, from what the book keeps
        again = hidden_fields(ben.client.get(f"/study/{STUDY}").text, f"/conditions/{STUDY}")
        assert WORKING not in tap(ben, again)
        page.process.send_signal(signal.SIGINT)
        out, err = page.process.communicate(timeout=60)
    assert out == ""
    assert err.startswith("Something went wrong in this program (ChildProcessError). Details:")
    assert err.count("Something went wrong") == 1
    assert "Traceback" not in err
    assert answers(scored_book) == 1


@pytest.mark.parametrize("way", [signal.SIGINT, signal.SIGKILL])
def test_a_restart_in_the_middle(scored_book: Path | str, way: signal.Signals) -> None:
    with running(scored_book, name="open") as page, Asker(page.address, "ana") as ana:
        worker_of(page)
        assert WORKING in tap(ana, hidden_fields(ana.client.get(f"/study/{STUDY}").text, f"/answer/{STUDY}"))
        begun = begun_by(page)
        page.process.send_signal(way)
        assert page.process.communicate(timeout=60) == ("", "")
        until(lambda: not any(map(is_there, begun)))
    assert answers(scored_book) == 0
    with running(scored_book, name="open") as page:
        with Asker(page.address, "ana") as ana:
            assert ana.answer(STUDY) > 0
        assert page.stop()[0] == 0
    assert answers(scored_book) == 1
