"""`doe book`: backing up, checking and moving the book, and who did what."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from doe.book.book import Book
from doe.cli.desk import Desk, command, commands
from doe.cli.output import Reply, Table, Warn
from doe.domain.texts import quoted
from doe.words.dates import minute
from doe.words.wording import count

app = commands()


@command(app, "init", example="doe book init shop.sqlite")
def init(
    desk: Desk,
    place: Annotated[str | None, typer.Argument(help="A new file, or postgresql://NAME@HOST/DATABASE.")] = None,
    role: Annotated[
        str | None, typer.Option(help="Role of a server that may look and add from now on, but change nothing.")
    ] = None,
) -> Reply:
    """Make an empty book: in a file, or in an empty database of a PostgreSQL server."""
    desk = desk if place is None else replace(desk, book=place)
    with Book.begin(desk.book, who=desk.name, role=role) as book:
        label = book.label
    blocks = [f"The book is in {label}."]
    if role is not None:
        blocks.append(f"{role} may look at it and add to it, and change nothing.")
    elif "://" in label:
        blocks.append("Only its owner may use it. Let others in: the same command with --role NAME, once for each.")
    return Reply(
        {"book": label, "role": role},
        tuple(blocks),
        (f"doe book import PATH --book {quoted(label)}", "doe demo --help"),
    )


@command(app, "backup", example="doe book backup shop-backup.sqlite")
def backup(desk: Desk, path: Annotated[Path, typer.Argument(help="A new file.")]) -> Reply:
    """Copy the whole book to a new file, consistent even while others write."""
    with desk.look() as book:
        made = book.backup(path)
    return Reply({"backup": made}, (f"The book was copied to {made}.",), (f"doe book check --book {made}",))


@command(app, "check", example="doe book check")
def check(desk: Desk) -> Reply:
    """Look for problems in the book; exit code 1 when there are any."""
    with desk.look() as book:
        problems = book.check()
    if not problems:
        return Reply({"problems": []}, ("The book is sound.",), ("doe book backup shop-backup.sqlite",))
    return Reply(
        {"problems": problems},
        (f"{count(len(problems), 'problem')} found.", *(Warn(p) for p in problems)),
        ("doe book backup PATH",),
        exit_code=1,
    )


@command(app, "export", example="doe book export shop-export.zip")
def export(desk: Desk, path: Annotated[Path, typer.Argument(help="A new zip file.")]) -> Reply:
    """Write everything, history included, to a zip file that another book can take in."""
    with desk.look() as book:
        made = book.export(path)
    return Reply({"export": made}, (f"Everything was written to {made}.",), (f"doe book import {made} --book OTHER",))


@command(app, "import", example="doe book import shop-export.zip --book other.sqlite")
def import_(desk: Desk, path: Annotated[Path, typer.Argument(help="A file that doe book export wrote.")]) -> Reply:
    """Take in everything an export holds; names that clash are refused."""
    with desk.open() as book:
        try:
            studies = book.import_(path)
        except BaseException:
            book.discard_if_new()  # what could not be taken in must not leave an empty book
            raise
    return Reply(
        {"imported_studies": studies}, (f"{count(studies, 'study', 'studies')} came in.",), ("doe study list",)
    )


@command(app, "upgrade", example="doe book upgrade")
def upgrade(desk: Desk) -> Reply:
    """Bring an older book up to this version; a file is backed up beside itself first."""
    with Book.open(desk.book, who=desk.name, create=False, upgrade=True) as book:
        problems, copy = book.check(), book.upgraded_from
    data = {"problems": problems, "copy": copy}
    kept = () if copy is None else (f"As it was before, it is kept in {copy}.",)
    if problems:
        return Reply(data, (*kept, *(Warn(p) for p in problems)), ("doe book check",), exit_code=1)
    return Reply(data, ("The book is up to date and sound.", *kept), ("doe study list",))


@command(app, "audit", example="doe book audit --last 20")
def audit(desk: Desk, last: Annotated[int, typer.Option(min=1, help="How many acts.")] = 50) -> Reply:
    """Show who did what, when and why, newest first."""
    with desk.look() as book:
        acts = book.audit(last)
    rows = [(minute(a.at), a.who, a.verb, a.subject, a.why) for a in acts]
    return Reply(
        {"acts": acts},
        (f"The last {count(len(rows), 'act')}.", Table(("when", "who", "what", "of", "why"), rows)),
        ("doe study list",),
    )
