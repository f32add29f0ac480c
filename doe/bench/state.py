"""What the page remembers while it runs."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from doe.bench.hints import Hints
from doe.bench.pairing import Pairing
from doe.bench.receipts import Receipts
from doe.bench.sessions import Sessions
from doe.bench.shop import Shop


@dataclass
class Bench:
    """The page and its book.

    Parameters
    ----------
    shop : Shop
    is_local : bool
        Whether only this machine can reach it: then no pairing is needed.
    link : str
        Address of the first page as other devices reach it, without a slash at its end.
    pairing : Pairing
    sessions : Sessions
    hints : Hints
    log : callable
        Keeps an error that nobody expected.
    """

    shop: Shop
    is_local: bool
    link: str
    pairing: Pairing
    sessions: Sessions
    hints: Hints
    log: Callable[[BaseException], None]
    receipts: Receipts = field(default_factory=Receipts)
    photo_turn: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(1))
    """One picture is decoded at a time: a large one takes a hundred megabytes for a moment."""

    def people(self) -> tuple[str, ...]:
        """Names that are in use on the devices, or in the book lately."""
        return tuple(dict.fromkeys((*self.sessions.names(), *self.shop.people())))

    @classmethod
    def of(
        cls,
        shop: Shop,
        *,
        is_local: bool,
        link: str,
        announce: Callable[[str], None],
        log: Callable[[BaseException], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> Bench:
        """A page that begins: no device is let in yet."""
        return cls(shop, is_local, link, Pairing(clock, announce), Sessions(clock), Hints(shop, log), log)
