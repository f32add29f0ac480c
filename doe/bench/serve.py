"""Running the page: the socket, the server, the code in the terminal, and a clean end."""

from __future__ import annotations

import errno
import ipaddress
import logging
import socket
import sys
import threading
import warnings
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import uvicorn
from PIL import Image

from doe.bench.app import make_app
from doe.bench.hosts import Hosts, own_addresses, own_names
from doe.bench.shop import Shop
from doe.bench.state import Bench
from doe.domain.errors import InputError
from doe.domain.units import Shown

PORT = 8765
KEEP_ALIVE_SECONDS = 20
MOST_CONNECTIONS = 256


@dataclass(frozen=True)
class Listener:
    """Where the page listens: an open socket, whether only this machine reaches it, and its addresses for people."""

    socket: socket.socket
    is_local: bool
    port: int
    links: tuple[str, ...]

    @property
    def link(self) -> str:
        """The address to show first."""
        return self.links[0]


def listen(host: str, port: int) -> Listener:
    """Take a port, before anything else is done.

    Raises
    ------
    InputError
        If the port is taken, not ours to use, or the host is no address of this machine.
    """
    if not 0 <= port <= 65535:
        raise InputError("--port", port, "1 to 65535", f"Leave it out for {PORT}.")
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host or None, port, type=socket.SOCK_STREAM)[0]
    except (OSError, UnicodeError) as error:
        raise InputError(
            "--host", host, "an address of this machine, such as 0.0.0.0 for all of them", "Correct the address."
        ) from error
    made = socket.socket(family, kind, protocol)  # named as TCP, or every answer would wait 40 ms for its last part
    try:
        if sys.platform != "win32":  # there it would let two programs share one port
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind(address)
        made.listen(128)
    except OSError as error:
        made.close()
        raise _refusal(host, port, error) from error
    bound = ipaddress.ip_address(str(address[0]).partition("%")[0])
    taken = int(made.getsockname()[1])
    names: tuple[str, ...] = (str(address[0]),)
    if bound.is_unspecified:
        names = own_addresses(family) or own_names() or ("127.0.0.1",)
    return Listener(made, bound.is_loopback, taken, tuple(f"http://{_in_link(name)}:{taken}" for name in names))


def _in_link(name: str) -> str:
    return f"[{name}]" if ":" in name else name


def _refusal(host: str, port: int, error: OSError) -> InputError:
    if error.errno == errno.EADDRINUSE:
        return InputError(
            "--port",
            f"{port}, which another program uses",
            "a free port",
            f"Stop the other one (another doe bench?), or add --port {port + 1 if port < 65535 else PORT}.",
        )
    if error.errno == errno.EACCES:
        return InputError("--port", port, "1024 to 65535", f"Leave it out for {PORT}.")
    return InputError(
        "--host", host, "an address of this machine, such as 0.0.0.0 for all of them", "Correct the address."
    )


def serve(
    target: str | Path | None,
    place: Listener,
    *,
    owner: str,
    shown: Shown,
    announce: Callable[[str], None],
    log: Callable[[BaseException], None],
    ready: Callable[[Bench], None],
    typed: TextIO | None = None,
) -> None:
    """Answer until Ctrl-C or the end of the process.

    Parameters
    ----------
    target : str or Path, optional
        The book, as `Book.open`.
    place : Place
    owner : str
        Who started it.
    shown : Shown
    announce : callable
        Shows a pairing code.
    log : callable
        Keeps an error that nobody expected.
    ready : callable
        Called once, before the first answer.
    typed : text stream, optional
        Each line typed there makes a new pairing code.
    """
    # a limit of our own refuses such pictures; the library's word to programmers helps nobody here
    warnings.simplefilter("ignore", Image.DecompressionBombWarning)
    # an early hint computes for a second beside the answers; it hands over ten times as often as programs usually do
    sys.setswitchinterval(0.0005)
    shop = Shop(target, owner=owner, shown=shown)
    bench = Bench.of(shop, is_local=place.is_local, link=place.link, announce=announce, log=log)
    app = make_app(bench, Hosts(place.is_local, place.port, own_names()))
    logging.getLogger("uvicorn.error").addFilter(_quiet)
    config = uvicorn.Config(
        app,
        http="h11",
        ws="none",
        lifespan="on",
        log_config=None,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_keep_alive=KEEP_ALIVE_SECONDS,
        timeout_graceful_shutdown=5,
        limit_concurrency=MOST_CONNECTIONS,
        h11_max_incomplete_event_size=16 * 1024,
    )
    ready(bench)
    if typed is not None:
        threading.Thread(target=_renew_on_enter, args=(typed, bench), daemon=True).start()
    try:
        with suppress(KeyboardInterrupt):  # the server has stopped by then; Ctrl-C is how this ends
            uvicorn.Server(config).run(sockets=[place.socket])
    finally:
        bench.hints.close()
        shop.close()
        place.socket.close()


def _renew_on_enter(typed: TextIO, bench: Bench) -> None:
    for _ in typed:
        bench.pairing.renew()


def _quiet(record: logging.LogRecord) -> bool:
    """Leave out that a browser sent something that is no request: anybody on the network can make that happen."""
    return "Invalid HTTP request" not in record.getMessage()
