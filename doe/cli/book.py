"""`doe book`: backing up, checking and moving the book, and who did what."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from doe.book.book import Book
from doe.book.engine import DamagedBook
from doe.cli.desk import Block, Desk, Reply, Table, Warn, command
from doe.domain.errors import quoted
from doe.words.wording import count, date_and_time

MOST = 10


@command("book init")
def init(
    desk: Desk,
    place: str | None = None,
    role: str | None = None,
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


@command("book backup")
def backup(desk: Desk, path: Path) -> Reply:
    """Copy the whole book to a new file, consistent even while others write."""
    with desk.look() as book:
        made = book.backup(path)
        # what was written is read again, from the first act to the last
        with Book.open(made, who=desk.name, create=False, upgrade=False) as copy:
            problems = copy.check()
        if not problems:
            book.note_backup(made)
    if problems:
        return Reply(
            {"backup": made, "problems": problems},
            (f"The book was copied to {made}, but the copy is not sound.", *_said(problems)),
            ("doe book check",),
            exit_code=1,
        )
    return Reply(
        {"backup": made, "problems": []},
        (f"The book was copied to {made}, and the copy is sound.",),
        (f"doe book check --book {made}",),
    )


@command("book check")
def check(desk: Desk, seal: str = "") -> Reply:
    """Look for problems in the book; exit code 1 when there are any."""
    try:
        with desk.look() as book:
            problems, head = book.check(seal), book.seal()
    except DamagedBook as error:
        problems, head = [f"{error.found}."], ""
    data = {"problems": problems, "seal": head}
    if not problems:
        sound = "The book is sound." + (f" Its seal: {head}" if head else "")
        return Reply(data, (sound,), ("doe book backup shop-backup.sqlite",))
    said = (f"{count(len(problems), 'problem')} found.", *_said(problems), DamagedBook(desk.label, "").remedy)
    return Reply(data, said, ("doe book backup PATH",), exit_code=1)


def _said(problems: list[str]) -> tuple[Block, ...]:
    """The first problems; one damage often makes many."""
    more = (f"... and {len(problems) - MOST} more; all of them: doe book check --json",) if len(problems) > MOST else ()
    return (*(Warn(problem) for problem in problems[:MOST]), *more)


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
        try:
            studies = book.import_(path)
        except BaseException:
            book.discard_if_new()  # what could not be taken in must not leave an empty book
            raise
    return Reply(
        {"imported_studies": studies}, (f"{count(studies, 'study', 'studies')} came in.",), ("doe study list",)
    )


@command("book upgrade")
def upgrade(desk: Desk) -> Reply:
    """Bring an older book up to this version; a file is backed up beside itself first."""
    with Book.open(desk.book, who=desk.name, create=False, upgrade=True) as book:
        problems, copy = book.check(), book.upgraded_from
    data = {"problems": problems, "copy": copy}
    kept = () if copy is None else (f"As it was before, it is kept in {copy}.",)
    if problems:
        return Reply(data, (*kept, *_said(problems)), ("doe book check",), exit_code=1)
    return Reply(data, ("The book is up to date and sound.", *kept), ("doe study list",))


@command("book audit")
def audit(desk: Desk, last: int = 50) -> Reply:
    """Show who did what, when and why, newest first."""
    with desk.look() as book:
        acts = book.audit(last)
    rows = [(date_and_time(a.at), a.who, a.verb, a.subject, a.why) for a in acts]
    return Reply(
        {"acts": acts},
        (f"The last {count(len(rows), 'act')}.", Table(("when", "who", "what", "of", "why"), rows, is_list=True)),
        ("doe study list",),
    )
