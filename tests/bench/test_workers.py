"""Several processes answer as one page over a book on a server: what it remembers is in the book."""

from __future__ import annotations

import os
import re
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx2
import pytest

from doe.bench.devices import TRIES_A_MINUTE
from doe.book.book import Book
from tests.bench.process import Running, running
from tests.bench.shop import Device, hidden_fields, make_book
from tests.postgres import PASSWORD, Server

WORKERS = 2

pytestmark = [
    pytest.mark.in_file("a server's book of its own"),
    pytest.mark.skipif(sys.platform != "linux", reason="asks /proc which processes answer"),
]


@pytest.fixture
def place(postgres: Server) -> str:
    """A book on a server, with a planned round."""
    return str(make_book(postgres.database(), scored=0))


@contextmanager
def device(page: Running, *, cookies: httpx2.Cookies | None = None) -> Iterator[Device]:
    """A device that makes a new connection for every request, so that any of the processes answers."""
    port = page.address.rpartition(":")[2]
    none_kept = httpx2.Limits(max_keepalive_connections=0)
    with httpx2.Client(
        base_url=f"http://127.0.0.1:{port}", limits=none_kept, follow_redirects=True, cookies=cookies, timeout=60
    ) as client:
        yield Device(client)  # type: ignore[arg-type] # a client over the network for one within the test


def workers(page: Running) -> set[int]:
    """Processes that answer for a page."""
    children = Path(f"/proc/{page.process.pid}/task/{page.process.pid}/children").read_text().split()
    return {int(pid) for pid in children if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes()}


def until(so: Callable[[], bool]) -> None:
    """Wait for something, half a minute at most."""
    end = time.monotonic() + 30
    while not so():
        assert time.monotonic() < end
        time.sleep(0.05)


def let_in(own: Device, code: str, who: str) -> None:
    """Pair a device with a code and choose a name."""
    paired = own.send(own.get("/pair"), "/pair", code=code)
    assert own.send(paired, "/name", typed=who).status_code == 200
    assert "R1-01" in own.get("/list/1").text


def test_devices_pairing_and_receipts_are_known_to_every_process_and_after_a_restart(place: str) -> None:
    network = ("--host", "0.0.0.0", "--workers", str(WORKERS))
    with running(place, *network) as page, device(page) as ana, device(page) as ben:  # type: ignore[arg-type]
        until(lambda: len(workers(page)) == WORKERS)
        let_in(ana, page.facts["pairing_code"], "ana")
        refused = ben.send(ben.get("/pair"), "/pair", code=page.facts["pairing_code"])
        assert refused.status_code == 403, "a code is for one device, whichever process took it"
        (fresh,) = re.findall(r"\b\d{4} \d{4}\b", ana.send(ana.get("/more"), "/code").text)[:1]
        let_in(ben, fresh.replace(" ", ""), "ben")
        for pid in sorted(workers(page)):  # each in turn is gone: the others know the devices, and so does a new one
            os.kill(pid, signal.SIGKILL)
            until(lambda pid=pid: pid not in workers(page) and len(workers(page)) == WORKERS)  # type: ignore[misc]
            for own in (ana, ben):
                assert "R1-01" in own.get("/list/1").text
        form = ana.get("/c/1/R1-05")
        fields = {**hidden_fields(form.text, "/score/1/R1-05"), "hand": "4", "note": "sent again and again"}
        origin = {"Origin": ana.origin}
        for _ in range(8):
            assert ana.client.post("/score/1/R1-05", data=fields, headers=origin).status_code == 200
        with device(page) as guesser:  # wrong codes are counted together
            asked = guesser.get("/pair")
            said = [guesser.send(asked, "/pair", code="00000000").status_code for _ in range(TRIES_A_MINUTE + 1)]
        assert (said[0], said[-1]) == (403, 429)
        code, out, err = page.stop()
        assert (code, out) == (0, "")
        assert "Traceback" not in err
        assert not any(part in err for part in (PASSWORD, "se%20cret", "cret%40"))
        cookies = ana.client.cookies, ben.client.cookies
    with running(place, *network) as page:  # type: ignore[arg-type]
        for kept, coupon in zip(cookies, ("R1-06", "R1-07"), strict=True):
            with device(page, cookies=kept) as own:
                assert "R1-01" in own.get("/list/1").text
                assert own.score(coupon, hand="3").status_code == 200
        with device(page, cookies=cookies[0]) as own:  # the form from before the restart, once more
            own.client.post("/score/1/R1-05", data=fields, headers={"Origin": own.origin})
        with device(page) as stranger:
            assert stranger.get("/list/1").url.path == "/pair"
    with Book.open(place, who="test") as book:
        assert [(h.field, h.value, h.who) for h in book.history(1, "R1-05")] == [
            ("hand:ana", 4.0, "ana"),
            ("note", "sent again and again", "ana"),
        ]
        assert {h.who for h in book.history(1, "R1-07")} == {"ben"}
        assert book.check() == []
