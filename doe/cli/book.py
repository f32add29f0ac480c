"""`doe book`: backing up, checking and moving the book, and who did what."""

from __future__ import annotations

from pathlib import Path

from doe.book.book import Book
from doe.cli.desk import Desk, Reply, Table, Warn, command
from doe.words.wording import count, minute


@command("book backup")
def backup(desk: Desk, path: Path) -> Reply:
    """Copy the whole book to a new file, consistent even while others write."""
    with desk.look() as book:
        made = book.backup(path)
    return Reply({"backup": made}, (f"The book was copied to {made}.",), (f"doe book check --book {made}",))


@command("book check")
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


@command("book export")
def export(desk: Desk, path: Path) -> Reply:
    """Write everything, history included, to a zip file that another book can take in."""
    with desk.look() as book:
        made = book.export(path)
    return Reply({"export": made}, (f"Everything was written to {made}.",), (f"doe book import {made} --book OTHER",))


@command("book import")
def import_(desk: Desk, path: Path) -> Reply:
    """Take in everything an export holds; names that clash are refused."""
    with desk.open() as book:
        studies = book.import_(path)
    return Reply(
        {"imported_studies": studies}, (f"{count(studies, 'study', 'studies')} came in.",), ("doe study list",)
    )


@command("book upgrade")
def upgrade(desk: Desk) -> Reply:
    """Bring an older book up to this version; a file is backed up beside itself first."""
    with Book.open(desk.book, who=desk.name, create=False, upgrade=True) as book:
        problems = book.check()
    if problems:
        return Reply({"problems": problems}, tuple(Warn(p) for p in problems), ("doe book check",), exit_code=1)
    return Reply({"problems": []}, ("The book is up to date and sound.",), ("doe study list",))


@command("book audit")
def audit(desk: Desk, last: int = 50) -> Reply:
    """Show who did what, when and why, newest first."""
    with desk.look() as book:
        acts = book.audit(last)
    rows = [(minute(a.at), a.who, a.verb, a.subject, a.why) for a in acts]
    return Reply(
        {"acts": acts},
        (f"The last {count(len(rows), 'act')}.", Table(("when", "who", "what", "of", "why"), rows)),
        ("doe study list",),
    )
