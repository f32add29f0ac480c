"""`doe open`: the whole job in the browser, on this machine, until Ctrl-C."""

from __future__ import annotations

import os
import sys
import threading
import webbrowser
from dataclasses import replace
from functools import partial
from pathlib import Path

import typer

from doe.acts.demo.run import BOOK
from doe.cli.bench import page_over
from doe.cli.desk import Desk, Reply, command, is_terminal
from doe.cli.terminal import print_json, say
from doe.domain.errors import InputError


@command("open")
def open_pages(desk: Desk, folder: Path | None = None, port: int = 8766, browser: bool = True) -> Reply:
    """Open the whole tool in the browser: studies, answers, confirmation, recipes, the page at the press.

    Only this machine reaches it. A book that is not there yet is begun. Ctrl-C stops it.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    # NumPy reads those when it is loaded; and help needs no web server
    from doe.bench.serve import listen, serve  # noqa: PLC0415
    from doe.office.pages import pages  # noqa: PLC0415

    if folder is not None:
        desk = replace(desk, book=_book_in(folder))
    place = listen("127.0.0.1", port)
    with desk.open() as book:
        label = book.label
    link = place.links[0]
    if desk.as_json:
        print_json({"ok": True, "address": link, "book": label, "next": []})
    else:
        say(f"{label} is open in the browser: {link}")
        say("Only this machine reaches it. Ctrl-C stops it.")
        say("Hot platens and powder dust: what stands on every page holds here too. Data sheets and local codes first.")
    sys.stdout.flush()
    if browser and not desk.as_json and is_terminal(sys.stdout):
        threading.Timer(0.5, webbrowser.open, (link,)).start()
    make = partial(page_over, desk.book, desk.name, desk.shown, is_local=True, link=link, as_json=desk.as_json)
    serve(partial(make, more_pages=pages), place)
    if desk.as_json:
        raise typer.Exit
    return Reply({}, ("", "Closed. Everything that was confirmed is in the book."), ("doe study list",))


def _book_in(folder: Path) -> str:
    """The book in a folder, such as that of the demo.

    Raises
    ------
    InputError
        If none is there.
    """
    place = folder / BOOK if folder.is_dir() else folder
    if not place.is_file():
        raise InputError(
            str(folder), "no book", "a book, or a folder with one, such as that of doe demo", "Correct it."
        )
    return str(place)
