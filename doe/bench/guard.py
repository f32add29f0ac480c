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
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse, Response
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
    scheme : str
        ``https`` where the page is encrypted.
    """

    is_local: bool
    port: int
    names: tuple[str, ...] = ()
    scheme: str = "http"

    def takes(self, header: str) -> bool:
        """Whether a Host header names this page."""
        name, port = split_host(header, 443 if self.scheme == "https" else 80)
        if name is None or port != self.port:
            return False
        if name in ("localhost", *(n.casefold() for n in self.names)):
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        return address.is_loopback or not self.is_local


def split_host(header: str, usual: int = 80) -> tuple[str | None, int]:
    """Name and port of a Host header; the name is None where it is none. A missing port is the usual one.

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
    return (name, int(port or usual)) if good and len(port) < 6 else (None, 0)


def same_origin(origin: str | None, host: str, scheme: str = "http") -> bool:
    """Whether an Origin header is the page itself; without one nothing can be told, and nothing is taken.

    >>> same_origin("http://localhost:8765", "localhost:8765"), same_origin("null", "localhost:8765")
    (True, False)
    """
    start = f"{scheme}://"
    if origin is None or not origin.startswith(start):
        return False
    usual = 443 if scheme == "https" else 80
    there = split_host(origin.removeprefix(start), usual)
    return there[0] is not None and there == split_host(host, usual)


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


PHOTO_PATH = "/photo/"
"""Posts to addresses that start with this may be as large as a photo."""
FORM_BYTES = 64 * 1024
"""Largest form without a photo or a sheet."""
PHOTO_BYTES = 32 * 1024 * 1024
"""Largest post with a photo; a phone's picture of 40 megapixels is about half of it."""
SHEET_PATH = "/own-sheet"
"""Where a sheet of coupons made elsewhere is sent to."""
SHEET_BYTES = 2 * 1024 * 1024
"""Largest post with such a sheet: 25 coupons are a few KB, a workbook with its styles a hundred."""
FORM_SECONDS, PHOTO_SECONDS = 20.0, 120.0
"""Longest time a form, and a post with a photo or a sheet, may take to arrive."""

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src data:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
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


OWN_HEADERS = ("cache-control", "content-security-policy")
"""Those an answer may set for itself."""


class Guard:
    """The layer itself.

    Parameters
    ----------
    app : ASGIApp
    hosts : Hosts
    """

    def __init__(self, app: ASGIApp, hosts: Hosts) -> None:
        self._app = app
        self._hosts = hosts

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
            await _answer(*refusal, str(scope["path"]))(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update({**HEADERS, **{name: headers[name] for name in OWN_HEADERS if name in headers}})
            await send(message)

        limit, seconds = _limits(str(scope["path"]))
        await self._app(scope, _limited(receive, limit, seconds), send_with_headers)

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
        if not same_origin(origins[0] if len(origins) == 1 else None, hosts[0], self._hosts.scheme):
            return 403, "wrong_origin"
        lengths = headers.getlist("content-length")
        if lengths and (not lengths[0].isdecimal() or int(lengths[0]) > _limits(str(scope["path"]))[0]):
            return 413, "too_large"
        return None


def _limits(path: str) -> tuple[int, float]:
    """Bytes and seconds of a post to an address."""
    if path.startswith(PHOTO_PATH):
        return PHOTO_BYTES, PHOTO_SECONDS
    return (SHEET_BYTES, PHOTO_SECONDS) if path == SHEET_PATH else (FORM_BYTES, FORM_SECONDS)


def _limited(receive: Receive, limit: int, seconds: float) -> Receive:
    arrived = 0
    deadline: float | None = None
    is_done = False

    async def receive_some() -> Message:
        nonlocal arrived, deadline, is_done
        if is_done:  # waiting for the other end to leave may take as long as it likes
            return await receive()
        clock = asyncio.get_running_loop().time()
        deadline = deadline or clock + seconds
        # refused as the framework refuses: whoever reads the form passes it on to the page's own answer
        try:
            message = await asyncio.wait_for(receive(), max(0.01, deadline - clock))
        except TimeoutError as error:
            raise HTTPException(408) from error
        if message["type"] == "http.request":
            arrived += len(message.get("body", b""))
            if arrived > limit:
                raise HTTPException(413)
            is_done = not message.get("more_body", False)
        return message

    return receive_some


def cut_off(status: int, path: str) -> Response:
    """The answer to a post that is too large (413) or too slow (408)."""
    return _answer(status, "too_large" if status == 413 else "too_slow", path)


def _answer(status: int, code: str, path: str) -> Response:
    # what is still on its way is not read
    return PlainTextResponse(told(code, kilobytes=_limits(path)[0] // 1024), status, {**HEADERS, "connection": "close"})
