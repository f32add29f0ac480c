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


def write_while_it_dies(*, writers: int, deaths: Iterable[float], most: int) -> Written:
    """Score coupons from several threads while the server is killed after each of so many seconds, and started again.

    ``most`` coupons are there to be scored; the writers end after the last death and what they have begun.
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
            except Exception as error:
                found.broken.append(f"{type(error).__name__}: {error}")

        threads = [threading.Thread(target=write, args=(f"w{n}", names[n::writers])) for n in range(writers)]
        for thread in threads:
            thread.start()

        def until_more(count: int) -> None:
            wanted, end = len(found.confirmed) + count, time.monotonic() + 20
            while len(found.confirmed) < wanted and time.monotonic() < end:
                time.sleep(0.01)

        for seconds in deaths:
            until_more(5)  # so that a slow machine has writers at work too
            time.sleep(seconds)
            server.kill()
            server.start()
        until_more(5)
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
