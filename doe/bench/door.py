"""Connections: how many are taken from whom, and how long one may stay without asking for anything.

A stranger can open connections and say nothing; without limits a few hundred of them would shut out the shop.
"""

from __future__ import annotations

import asyncio
from collections import Counter, OrderedDict
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

HEADER_SECONDS = 10.0
"""Longest time from the first sign of a request, or from the connection, to the end of its headers."""
MOST_PER_ADDRESS = 64
"""Connections of one address: a browser opens six."""
MOST_STRANGERS = 128
"""Connections of all addresses together from which no device was let in; the rest is kept for those that were."""
_MOST_KNOWN = 1000


class Door:
    """Who is connected to this process.

    Parameters
    ----------
    is_local : bool
        Whether only this machine reaches the page: then nobody is a stranger.
    """

    def __init__(self, is_local: bool) -> None:
        self._is_local = is_local
        self._open: Counter[str] = Counter()
        self._known: OrderedDict[str, None] = OrderedDict()

    def know(self, address: str) -> None:
        """Note that a device was let in at an address."""
        self._known[address] = None
        self._known.move_to_end(address)
        while len(self._known) > _MOST_KNOWN:
            self._known.popitem(last=False)

    def enter(self, address: str) -> bool:
        """Count a connection; whether it may stay."""
        self._open[address] += 1
        if self._is_local:
            return True
        strangers = sum(count for who, count in self._open.items() if who not in self._known)
        return self._open[address] <= MOST_PER_ADDRESS and (address in self._known or strangers <= MOST_STRANGERS)

    def leave(self, address: str) -> None:
        """Count a connection no more."""
        self._open[address] -= 1
        if self._open[address] <= 0:
            del self._open[address]


class Connection(H11Protocol):
    """A connection of the page's server that the door has let in.

    Parameters
    ----------
    door : Door
    more
        As the server gives it.
    """

    def __init__(self, door: Door, **more: Any) -> None:
        super().__init__(**more)
        self._door = door
        self._address = ""
        self._has_asked = False
        self._waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # as in the base
        """Take the connection or end it at once."""
        super().connection_made(transport)
        self._address = self.client[0] if self.client else ""
        if self._door.enter(self._address):
            self._watch()
        else:
            transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """Make room."""
        self._door.leave(self._address)
        self._stop()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Read what came, and see whether the headers are whole by now."""
        super().data_received(data)
        self._has_asked = self._has_asked or self.cycle is not None
        self._watch()

    def _watch(self) -> None:
        in_headers = self.conn.their_state is h11.IDLE and (not self._has_asked or bool(self.conn.trailing_data[0]))
        if in_headers and self._waiting is None:
            self._waiting = asyncio.get_running_loop().call_later(HEADER_SECONDS, self.transport.abort)
        elif not in_headers:
            self._stop()

    def _stop(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None
