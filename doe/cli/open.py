"""`doe open`: the whole job in the browser, on this machine or the shop's network, until Ctrl-C."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from doe.acts.demo.run import BOOK
from doe.cli.bench import serve_pages
from doe.cli.desk import Desk, Reply, command
from doe.cli.shortcut import write_shortcut
from doe.domain.errors import InputError


@command("open")
def open_pages(
    desk: Desk,
    folder: Path | None = None,
    host: str = "127.0.0.1",
    port: int = 8766,
    tls: Path | None = None,
    browser: bool = True,
    shortcut: Path | None = None,
) -> Reply:
    """Open the whole tool in the browser: studies, answers, confirmation, recipes, the page at the press.

    Only this machine reaches it unless --host says otherwise; then every device needs the pairing code that is shown
    here, once, and everybody signs in with a name and a code. A book that is not there yet is begun. Ctrl-C stops it.
    With --shortcut nothing is opened: a file for the desktop is written that does it.
    """
    if folder is not None:
        desk = replace(desk, book=_book_in(folder))
    with desk.open() as book:
        label = book.label
    if shortcut is not None:
        made = write_shortcut(shortcut, label)
        return Reply({"shortcut": str(made)}, (f"Written: {made}. It opens {label} in the browser.",), ("doe open",))
    title = f"{label} is open in the browser:"
    return serve_pages(desk, label, title, host=host, port=port, tls=tls, is_whole=True, open_browser=browser)


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
