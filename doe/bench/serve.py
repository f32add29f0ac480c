"""Running the page: its addresses, the socket, the server, the code in the terminal, and a clean end."""

from __future__ import annotations

import errno
import ipaddress
import logging
import multiprocessing
import os
import signal
import socket
import ssl
import sys
import threading
import time
import warnings
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from functools import partial
from multiprocessing.connection import wait
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import TextIO

import uvicorn
from anyio.to_thread import current_default_thread_limiter
from PIL import Image
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route
from starlette.types import ASGIApp

from doe.bench import entrance, practice, scores, wrong
from doe.bench.door import Connection
from doe.bench.guard import Guard, Hosts, own_addresses, own_names
from doe.bench.state import Bench
from doe.bench.web import looking, on_http_error, posting, static
from doe.domain.errors import InputError


def make_app(bench: Bench, hosts: Hosts) -> ASGIApp:
    """The page for a book: give it to an ASGI server.

    Parameters
    ----------
    bench : Bench
    hosts : Hosts
        Names it answers to.
    """

    look, post = partial(looking, bench), partial(posting, bench)
    routes = [
        *(bench.more_pages(bench) if bench.more_pages else ()),
        look("/", entrance.desk),
        look("/pair", entrance.pair_form, "nothing"),
        post("/pair", entrance.pair, "nothing"),
        look("/look/{token}", entrance.viewer, "nothing"),
        look("/name", entrance.name_form, "device"),
        post("/name", entrance.name, "device"),
        look("/more", entrance.more),
        post("/code", entrance.code),
        post("/sign-out", entrance.sign_out, "device", None),
        post("/leave", entrance.leave, "device", None),
        look("/s/{study:int}", scores.study),
        look("/news/{study:int}", scores.news),
        look("/wash/{study:int}", scores.wash),
        look("/list/{study:int}", scores.everything),
        look("/hint/{study:int}", scores.hint),
        look("/c/{study:int}/{coupon:path}", scores.coupon),
        look("/undo/{study:int}/{coupon:path}", scores.undo_form),
        look("/photo/{study:int}/{photo:int}", scores.picture),
        post("/step/{study:int}", scores.step),
        post("/score/{study:int}/{coupon:path}", scores.score),
        post("/photo/{study:int}/{coupon:path}", scores.photo),
        post("/undo/{study:int}/{coupon:path}", scores.undo),
        look("/wrong/{study:int}/{coupon:path}", wrong.wrong),
        post("/case/{study:int}/{coupon:path}", wrong.keep),
        look("/class", practice.whole_class),
        post("/class", practice.set_for_class),
        look("/practice", practice.exercises),
        look("/practice/{exercise}", practice.exercise),
        post("/practice/{exercise}", practice.answer),
        Route("/alive", _alive),
        Route("/static/{name}", static),
    ]

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        del app
        current_default_thread_limiter().total_tokens = MOST_AT_ONCE
        if bench.more_pages is not None:  # the page at the press computes nothing but early looks
            bench.compute.begin()
        yield
        bench.close()

    app = Starlette(routes=routes, lifespan=lifespan, exception_handlers={HTTPException: on_http_error})
    app.state.bench = bench
    return Guard(app, hosts)


async def _alive(request: Request) -> Response:
    """Whether there is a connection: asked by a form before it is sent."""
    del request
    return Response(status_code=204)


PORT = 8765
MOST_AT_ONCE = 8
"""Answers worked on at once: more would only take turns with each other, and all of them come later."""
KEEP_ALIVE_SECONDS = 20
MOST_CONNECTIONS = 512
"""Of all together: strangers at their most (`door.MOST_STRANGERS`), and some sixty devices with six each."""


@dataclass(frozen=True)
class Listener:
    """Where the page listens: a socket, whether only this machine reaches it, its addresses, the likeliest first.

    ``tls`` is the file with certificate and key where the page is encrypted.
    """

    socket: socket.socket
    is_local: bool
    port: int
    links: tuple[str, ...]
    tls: Path | None = None


def listen(host: str, port: int, tls: Path | None = None) -> Listener:
    """Take a port, before anything else is done.

    Raises
    ------
    InputError
        If the port is taken, not ours to use, the host is no address of this machine, or ``tls`` holds no certificate
        and key.
    """
    if tls is not None:
        try:
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(tls, password="")
        except OSError as error:  # an SSLError is one
            raise InputError(
                f"--tls {tls}",
                "no certificate with its key" if isinstance(error, ssl.SSLError) else error.strerror,
                "a file with a certificate and its key without a password",
                "See doe guide network for how to make one.",
            ) from error
    if not 0 <= port <= 65535:
        raise InputError("--port", port, "1 to 65535", f"Leave it out for {PORT}.")
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host or None, port, type=socket.SOCK_STREAM)[0]
    except (OSError, UnicodeError) as error:
        raise _refusal(host, port, error) from error
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
    start = "http" if tls is None else "https"
    links = tuple(f"{start}://[{name}]:{taken}" if ":" in name else f"{start}://{name}:{taken}" for name in names)
    return Listener(made, bound.is_loopback, taken, links, tls)


def _refusal(host: str, port: int, error: Exception) -> InputError:
    number = error.errno if isinstance(error, OSError) else None
    if number == errno.EADDRINUSE:
        return InputError(
            "--port",
            f"{port}, which another program uses",
            "a free port",
            f"Stop the other one (another doe bench?), or add --port {port + 1 if port < 65535 else PORT}.",
        )
    if number == errno.EACCES:
        return InputError("--port", port, "1024 to 65535", f"Leave it out for {PORT}.")
    return InputError(
        "--host", host, "an address of this machine, such as 0.0.0.0 for all of them", "Correct the address."
    )


def serve(make: Callable[[], Bench], place: Listener, *, typed: TextIO | None = None, workers: int = 1) -> None:
    """Answer until Ctrl-C or the end of the process.

    Parameters
    ----------
    make : callable
        Gives the page, in each process anew; with several it must be one that can be sent to another process.
    place : Listener
    typed : text stream, optional
        Each line typed there makes a new pairing code.
    workers : int
        Processes that answer, all over the one book.
    """
    if typed is not None:
        pairing = make().pairing
        threading.Thread(target=lambda: [pairing.renew() for _ in typed], daemon=True).start()
    try:
        with suppress(KeyboardInterrupt):  # the server has stopped by then; Ctrl-C is how this ends
            if workers == 1:
                _answer(make, place)
            else:
                _share(make, place, workers)
    finally:
        place.socket.close()


def _share(make: Callable[[], Bench], place: Listener, workers: int) -> None:
    """Keep so many processes answering; one that dies is replaced."""
    # a fresh interpreter each: a fork would take over locks and connections as they happen to stand
    context = multiprocessing.get_context("spawn")
    team: list[SpawnProcess] = []
    try:
        while True:
            team = [one for one in team if one.is_alive()]
            for _ in range(workers - len(team)):
                one = context.Process(target=_work, args=(make, place))
                one.start()
                team.append(one)
            wait([one.sentinel for one in team])
            time.sleep(1)  # a process that cannot start must not be tried without end
    finally:
        for one in team:
            one.terminate()
        for one in team:
            one.join(10)


def _work(make: Callable[[], Bench], place: Listener) -> None:
    parent = multiprocessing.parent_process()
    assert parent is not None

    def end_with(sentinel: int) -> None:
        wait([sentinel])
        os.kill(os.getpid(), signal.SIGTERM)

    threading.Thread(target=end_with, args=(parent.sentinel,), daemon=True).start()
    with suppress(KeyboardInterrupt):
        _answer(make, place)


def _answer(make: Callable[[], Bench], place: Listener) -> None:
    """Answer in this process until it is told to stop."""
    # a limit of our own refuses such pictures; the library's word to programmers helps nobody here
    warnings.simplefilter("ignore", Image.DecompressionBombWarning)
    bench = make()
    try:
        uvicorn.Server(settings_of(bench, place)).run(sockets=[place.socket])
    finally:
        bench.close()
        bench.shop.close()


def settings_of(bench: Bench, place: Listener) -> uvicorn.Config:
    """Settings of the server that answers for a page."""
    words = logging.getLogger("uvicorn.error")
    words.handlers, words.propagate = [_ToLog(bench)], False
    return uvicorn.Config(
        make_app(bench, Hosts(place.is_local, place.port, own_names(), "https" if place.tls else "http")),
        http=partial(Connection, bench.door),  # type: ignore[arg-type] # called like the class
        ssl_certfile=place.tls,
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


class _ToLog(logging.Handler):
    """What the server says of errors goes to the log, one line of it to the terminal.

    The rest, such as that somebody sent something that is no request, anybody on the network can make happen: it is
    left out.
    """

    def __init__(self, bench: Bench) -> None:
        super().__init__(logging.ERROR)
        self._bench = bench

    def emit(self, record: logging.LogRecord) -> None:
        """Pass on an error."""
        if record.exc_info and record.exc_info[1] is not None:
            self._bench.log(record.exc_info[1])
