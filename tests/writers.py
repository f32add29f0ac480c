"""Writers on a PostgreSQL server that dies in the middle and comes back: what was confirmed must be there."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable
from dataclasses import dataclass, field

from doe.book.book import Book
from doe.domain.errors import InputError
from doe.domain.score import ScoreEntry
from tests.book.samples import fill
from tests.postgres import running

STUDY = "first article"
FIELDS = 3
"""Of each score that is written."""


@dataclass
class Written:
    """What the writers did, and what is wrong with it."""

    confirmed: set[str] = field(default_factory=set)
    said: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    """Errors that are no words for a person."""
    seconds: float = 0.0
    """How long the server was up and all of them wrote."""


def write_while_it_dies(*, writers: int, deaths: Iterable[float], most: int, seconds: float = 0.0) -> Written:
    """Score coupons from several threads while the server is killed after each of so many seconds, and started again.

    ``most`` coupons are there to be scored. The writers end some writes after the last death, and not before they had
    a server to write to for ``seconds``; what they have begun they finish.
    """
    found, stop = Written(), threading.Event()
    names = [f"R1-{number + 1:02d}" for number in range(most)]
    with running() as server:
        url = server.database()
        with Book.open(url, who="Ina") as book:
            fill(book, coupons=most)

        def write(who: str, mine: list[str]) -> None:
            try:
                with Book.open(url, who=who) as own:
                    for name in mine:
                        while not stop.is_set():
                            try:
                                entry = ScoreEntry(name, checks={"release": True}, hand={"ana": 3}, note=name)
                                own.record(STUDY, [entry])
                                found.confirmed.add(name)
                                break
                            except InputError as error:  # the server is away: said, and tried again
                                found.said.append(str(error))
                                time.sleep(0.02)
                if not stop.is_set():
                    found.broken.append(f"{who} had nothing left to write: more coupons are needed")
            except Exception as error:
                found.broken.append(f"{type(error).__name__}: {error}")

        threads = [threading.Thread(target=write, args=(f"w{n}", names[n::writers])) for n in range(writers)]
        for thread in threads:
            thread.start()

        def until_more(count: int) -> None:
            wanted, end = len(found.confirmed) + count, time.monotonic() + 20
            while len(found.confirmed) < wanted and time.monotonic() < end:
                time.sleep(0.01)

        for wait in (*deaths, None):
            began = time.monotonic()
            until_more(5)  # so that a slow machine has writers at work too
            time.sleep(max(0.0, seconds - found.seconds) if wait is None else wait)
            found.seconds += time.monotonic() - began
            if wait is not None:
                server.kill()
                server.start()
        stop.set()
        for thread in threads:
            thread.join()
        with Book.open(url, who="Ina") as book:
            found.lost += book.check()
            stored: dict[str, int] = {}
            for entry in book.history(STUDY):
                stored[entry.coupon] = stored.get(entry.coupon, 0) + 1
    found.lost += sorted(found.confirmed - set(stored))
    found.lost += [f"{name}: {count} fields" for name, count in stored.items() if count != FIELDS]
    return found
