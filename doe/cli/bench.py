"""`doe bench`: the page at the press, for phones and tablets, until Ctrl-C."""

from __future__ import annotations

import sys
import threading
import webbrowser
from functools import partial
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING

import segno
import typer

from doe.cli.desk import Desk, Reply, command, is_terminal
from doe.cli.log import keep_log
from doe.cli.terminal import error_lines, line_width, print_json, say
from doe.domain.errors import DoeError
from reports.drawing.qr import QUIET

if TYPE_CHECKING:
    from doe.bench.serve import Listener
    from doe.bench.state import Bench
    from doe.domain.units import Shown


@command("bench")
def bench(
    desk: Desk,
    host: str = "127.0.0.1",
    port: int = 8765,
    workers: int = 1,
    tls: Path | None = None,
    forget: bool = False,
) -> Reply:
    """Serve the page at the press: queues, countdowns, score forms and photos on phones and tablets.

    Only this machine reaches it unless --host says otherwise; then every device needs the pairing code that is
    shown here, once. Press Enter for a new code, Ctrl-C to stop.
    """
    with desk.look() as book:  # a book that cannot be opened is said before anything else
        label = book.label
    title = f"Bench page for {label}"
    return serve_pages(desk, label, title, host=host, port=port, tls=tls, workers=workers, forget=forget)


def serve_pages(
    desk: Desk,
    label: str,
    title: str,
    *,
    host: str,
    port: int,
    tls: Path | None,
    workers: int = 1,
    forget: bool = False,
    is_whole: bool = False,
    open_browser: bool = False,
) -> Reply:
    """Answer until Ctrl-C: the page at the press, or the whole job."""
    # help needs no web server
    from doe.bench.serve import listen, serve  # noqa: PLC0415

    place = listen(host, port, tls)
    make = partial(
        page_over,
        desk.book,
        desk.name,
        desk.shown,
        is_local=place.is_local,
        link=place.links[0],
        as_json=desk.as_json,
        is_whole=is_whole,
    )
    made = make()
    if forget:
        made.sessions.forget_all()
    if not desk.as_json:
        _greet(place, title, "doe open --host 0.0.0.0" if is_whole else "doe bench --host 0.0.0.0")
    code = None if place.is_local else made.pairing.renew()
    made.close()
    made.shop.close()
    if desk.as_json:
        links = {"address": place.links[0], "links": list(place.links)}
        print_json({"ok": True, **links, "pairing_code": code, "book": label, "next": []})
    else:
        say("Ctrl-C stops it." if place.is_local else "Enter: a new code. Ctrl-C: stop.")
    sys.stdout.flush()
    if open_browser and not desk.as_json and is_terminal(sys.stdout):
        threading.Timer(0.5, webbrowser.open, (place.links[0],)).start()
    typed = sys.stdin if not place.is_local and is_terminal(sys.stdin) else None
    serve(make, place, typed=typed, workers=workers)
    if desk.as_json:
        raise typer.Exit
    stopped = "Closed." if is_whole else "The bench page has stopped."
    return Reply({}, ("", f"{stopped} Every score that was confirmed is in the book."), ("doe study list",))


def page_over(
    book: str | None,
    owner: str,
    shown: Shown,
    *,
    is_local: bool,
    link: str,
    as_json: bool,
    is_whole: bool,
) -> Bench:
    """The page over a book, or the whole job; made in each process that answers."""
    from doe.bench.beside import Elsewhere  # noqa: PLC0415 - as above
    from doe.bench.shop import Shop  # noqa: PLC0415
    from doe.bench.state import Bench  # noqa: PLC0415
    from doe.office.pages import pages  # noqa: PLC0415

    # with --json the one object stands alone on standard output
    out = sys.stderr if as_json else sys.stdout

    def log(error: BaseException) -> None:
        kept = keep_log(error)
        words = error_lines(error)[0] if isinstance(error, DoeError) else type(error).__name__
        say(f"Something went wrong in this program ({words}). {f'Details: {kept}' if kept else ''}", stream=out)

    def announce(code: str) -> None:
        say(f"Pairing code: {code}   (10 minutes, one device)", stream=out)

    shop = Shop(book, owner=owner, shown=shown)
    more = pages if is_whole else None
    compute = Elsewhere(ready="doe.office.works" if is_whole else "")
    return Bench(shop, is_local=is_local, link=link, announce=announce, log=log, more_pages=more, compute=compute)


def _greet(place: Listener, title: str, on_network: str) -> None:
    """The address, as text and as a code to be photographed, and what a shop should know."""
    say(title)
    for link in place.links:
        say(f"  {link}")
    if place.is_local:
        say(f"Only this machine reaches it. For tablets and phones: {on_network}")
    else:
        if place.tls is None:
            say("The page is not encrypted (--tls does that): use the shop's own network, not one that guests share.")
        drawn = terminal_code(place.links[0])
        if drawn and is_terminal(sys.stdout) and max(map(len, drawn)) <= line_width():
            print()
            print("\n".join(drawn))
    say("Hot platens and powder dust: what stands on every page holds here too. Data sheets and local codes first.")


def terminal_code(text: str) -> list[str]:
    """A QR code as lines of half blocks, light on dark as terminals mostly are; nothing where they cannot be shown."""
    drawn = StringIO()
    segno.make(text, error="m", micro=False).terminal(drawn, border=QUIET, compact=True)
    try:
        drawn.getvalue().encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return []
    return drawn.getvalue().splitlines()
