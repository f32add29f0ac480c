"""Which names the page answers to, and which origins may post to it."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field

LOCAL_NAMES = ("localhost",)


@dataclass(frozen=True)
class Hosts:
    """Who may be addressed in a request.

    A page of another site can make a browser send requests here under that site's *name* (a name that is suddenly
    looked up to this machine's address); under an address made of digits it cannot. So digits are taken where the page
    is on a network, and of names only the machine's own.

    Parameters
    ----------
    is_local : bool
        Whether the page is only for this machine: then only loopback addresses and ``localhost`` are taken.
    port : int
    names : sequence of str
        Names of this machine.
    """

    is_local: bool
    port: int
    names: tuple[str, ...] = field(default_factory=tuple)

    def takes(self, header: str) -> bool:
        """Whether a Host header names this page."""
        name, port = split_host(header)
        if name is None or port != self.port:
            return False
        if name in (*LOCAL_NAMES, *(n.casefold() for n in self.names)):
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        return address.is_loopback or not self.is_local


def split_host(header: str) -> tuple[str | None, int]:
    """Name and port of a Host header; the name is None where it is none. A missing port is 80.

    >>> split_host("[::1]:8765"), split_host("Localhost:8765"), split_host("a b:1")
    (('::1', 8765), ('localhost', 8765), (None, 0))
    """
    text = header.strip().casefold()
    if text.startswith("["):
        name, bracket, rest = text[1:].partition("]")
        port = rest.removeprefix(":") if rest.startswith(":") else ""
        if not bracket or (rest and not port):
            return None, 0
    else:
        name, _, port = text.partition(":")
    good = bool(name) and all(c.isalnum() or c in "-._:" for c in name) and (not port or port.isdecimal())
    return (name, int(port or 80)) if good and len(port) < 6 else (None, 0)


def same_origin(origin: str | None, host: str) -> bool:
    """Whether an Origin header is the page itself; without one nothing can be told, and nothing is taken.

    >>> same_origin("http://localhost:8765", "localhost:8765"), same_origin("null", "localhost:8765")
    (True, False)
    """
    if origin is None or not origin.startswith("http://"):
        return False
    there = split_host(origin.removeprefix("http://"))
    return there[0] is not None and there == split_host(host)


def own_names() -> tuple[str, ...]:
    """Names under which devices of the same network may know this machine."""
    name = socket.gethostname().casefold()
    short = name.partition(".")[0]
    return tuple(dict.fromkeys(n for n in (name, short, f"{short}.local") if short))


def own_addresses(family: int = socket.AF_INET) -> tuple[str, ...]:
    """Addresses of this machine on its networks, the likeliest first; nothing is sent to find them."""
    found: list[str] = []
    target = "192.0.2.1" if family == socket.AF_INET else "2001:db8::1"  # documentation addresses (RFC 5737, RFC 3849)
    with suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as probe:
        probe.connect((target, 9))  # chooses a way out; a datagram socket sends nothing by it
        found.append(str(probe.getsockname()[0]))
    with suppress(OSError):
        found += [str(info[4][0]) for info in socket.getaddrinfo(socket.gethostname(), None, family)]
    return tuple(dict.fromkeys(_usable(found)))


def _usable(addresses: Iterable[str]) -> Iterable[str]:
    for text in addresses:
        address = ipaddress.ip_address(text.partition("%")[0])
        if not address.is_loopback and not address.is_unspecified:
            yield text
