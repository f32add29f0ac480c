"""What stands before every request: the name it is sent to, where a post comes from, how much is sent, and the headers.

A pure ASGI layer, so that a body too large is refused while it still streams in, before anything reads it.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from doe.words.press import told


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
    names: tuple[str, ...] = ()

    def takes(self, header: str) -> bool:
        """Whether a Host header names this page."""
        name, port = split_host(header)
        if name is None or port != self.port:
            return False
        if name in ("localhost", *(n.casefold() for n in self.names)):
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


FORM_BYTES = 64 * 1024
"""Largest form without a photo."""
PHOTO_BYTES = 32 * 1024 * 1024
"""Largest post with a photo; a phone's picture of 40 megapixels is about half of it."""
BODY_SECONDS = 120.0
"""Longest time a body may take to arrive."""

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)

HEADERS: Mapping[str, str] = {
    "content-security-policy": CONTENT_POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # Other sites learn nothing of our addresses. Not "no-referrer": with that a browser sends "Origin: null" with our
    # own forms, and the check of where a post comes from would have to take it.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), geolocation=(), microphone=()",
    "cache-control": "no-store",
}


class TooLarge(Exception):
    """A body longer than its limit."""


class Guard:
    """The layer itself.

    Parameters
    ----------
    app : ASGIApp
    hosts : Hosts
    photo_path : str
        Posts to addresses that start with this may be as large as a photo.
    """

    def __init__(self, app: ASGIApp, hosts: Hosts, *, photo_path: str) -> None:
        self._app = app
        self._hosts = hosts
        self._photo_path = photo_path

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        refusal = self._refusal(scope)
        if refusal is not None:
            await _answer(scope, receive, send, *refusal, self._limit(scope))
            return
        limit = self._limit(scope)
        started = False

        async def send_with_headers(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                headers = MutableHeaders(scope=message)
                headers.update({**HEADERS, "cache-control": headers.get("cache-control", HEADERS["cache-control"])})
            await send(message)

        try:
            await self._app(scope, _limited(receive, limit), send_with_headers)
        except TooLarge:
            if started:
                raise
            await _answer(scope, receive, send, 413, "too_large", limit)
        except TimeoutError:
            if started:
                raise
            await _answer(scope, receive, send, 408, "too_slow", limit)

    def _limit(self, scope: Scope) -> int:
        return PHOTO_BYTES if str(scope["path"]).startswith(self._photo_path) else FORM_BYTES

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._hosts.takes(hosts[0]):
            return 421, "wrong_host"
        method = scope["method"]
        if method not in ("GET", "HEAD", "POST"):
            return 405, "wrong_method"
        if method != "POST":
            return None
        origins = headers.getlist("origin")
        if not same_origin(origins[0] if len(origins) == 1 else None, hosts[0]):
            return 403, "wrong_origin"
        lengths = headers.getlist("content-length")
        if lengths and (not lengths[0].isdecimal() or int(lengths[0]) > self._limit(scope)):
            return 413, "too_large"
        return None


def _limited(receive: Receive, limit: int) -> Receive:
    arrived = 0
    deadline: float | None = None
    is_done = False

    async def receive_some() -> Message:
        nonlocal arrived, deadline, is_done
        if is_done:  # waiting for the other end to leave may take as long as it likes
            return await receive()
        clock = asyncio.get_running_loop().time()
        deadline = deadline or clock + BODY_SECONDS
        message = await asyncio.wait_for(receive(), max(0.01, deadline - clock))
        if message["type"] == "http.request":
            arrived += len(message.get("body", b""))
            if arrived > limit:
                raise TooLarge
            is_done = not message.get("more_body", False)
        return message

    return receive_some


async def _answer(scope: Scope, receive: Receive, send: Send, status: int, code: str, limit: int) -> None:
    # what is still on its way is not read
    response = PlainTextResponse(told(code, kilobytes=limit // 1024), status, {**HEADERS, "connection": "close"})
    await response(scope, receive, send)
