"""Running the demo: the invented shop from its first stack to its report, into a folder of its own."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from doe.acts.demo import later as demo_later
from doe.acts.demo.story import Round, Story, read_rounds, read_story
from doe.acts.study.fits import Recommended, recommend_study
from doe.acts.study.sheets import report_page, write_sheets
from doe.book.book import Book
from doe.domain.errors import DoeError, InputError
from doe.domain.units import Shown
from reports.files import write_whole

WHO = "demo (invented shop)"
BOOK, SHEET, ENTRY, REPORT = "book.sqlite", "sheet.html", "entry.xlsx", "report.html"
CARD, HOLDS, RETUNE = "recipe-card.html", "comparison-holds.html", "comparison-retune.html"
FILES = (SHEET, ENTRY, REPORT, CARD, HOLDS, RETUNE, BOOK)

Step = Callable[[float, str], None]


@dataclass(frozen=True)
class DemoDone:
    """What the demo left behind: its files, the story, the answer after each round, and what came later, in words."""

    folder: Path
    story: Story
    answers: tuple[Recommended, ...]
    later: tuple[str, ...]
    kept_book: Path | None

    def path(self, name: str) -> Path:
        """Place of one of its files."""
        return self.folder / name


def run_demo(folder: Path, *, shown: Shown, step: Step | None = None) -> DemoDone:
    """Make the demo in a folder; running it again makes it anew.

    Everything is made in a temporary place first and moved when whole, so that a stop on the way leaves the folder as
    it was. A demo book in which somebody else worked since is kept beside the new one.

    Raises
    ------
    InputError
        If the folder holds a book or other files of these names that are not the demo's, or cannot be written.
    """
    tell = step or (lambda share, what: None)
    kept = _make_room(folder)
    story = read_story()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder, prefix=".making-") as name:
            work = Path(name)
            answers, later = _tell_story(work, story, shown, tell)
            tell(0.97, "moving the files into place")
            if kept is not None:
                (folder / BOOK).replace(kept)
            for made in FILES:
                (work / made).replace(folder / made)
    except OSError as error:
        raise InputError(
            str(error.filename or folder),
            error.strerror or str(error),
            "a folder that can be written",
            "Close its files if they are open elsewhere, or name another folder: doe demo FOLDER.",
        ) from error
    tell(1.0, "done")
    return DemoDone(folder, story, answers, later, kept)


def _make_room(folder: Path) -> Path | None:
    """Refuse a folder with files that are not the demo's; place for the old book if others worked in it."""
    remedy = "Name another folder: doe demo FOLDER."
    if folder.exists() and not folder.is_dir():
        raise InputError(str(folder), "a file", "a folder", remedy)
    there = [name for name in (BOOK, *FILES[:-1]) if (folder / name).exists()]
    if not there:
        return None
    others = _others_in(folder / BOOK) if BOOK in there else None
    if others is None:
        raise InputError(
            str(folder), f"{', '.join(there)} not made by the demo", "a new folder, or that of a demo", remedy
        )
    if any((folder / f"{BOOK}{end}").exists() for end in ("-wal", "-journal")):
        raise InputError(str(folder / BOOK), "in use", "a book nobody has open", "Close it, or name another folder.")
    return folder / f"book-{datetime.now(UTC):%Y%m%d-%H%M%S}.sqlite" if others else None


def _others_in(book: Path) -> bool | None:
    """Whether anybody but the demo worked in a book; None when the demo did not make it."""
    try:
        with Book.open(book, who=WHO, create=False, upgrade=False) as opened:
            people = {act.who for act in opened.audit(None)}
            first = opened.audit(None)[-1:]
    except DoeError:
        return None
    if not first or first[0].who != WHO:
        return None
    return bool(people - {WHO})


def _tell_story(work: Path, story: Story, shown: Shown, tell: Step) -> tuple[tuple[Recommended, ...], tuple[str, ...]]:
    """Every act of the story, in a folder of its own."""
    tell(0.02, "opening a book")
    name = story.study.name
    with Book.open(work / "making.sqlite", who=WHO) as book:
        answers = begin_story(book, story, tell)
        tell(0.55, "bench sheet and entry file")
        for file in (SHEET, ENTRY):
            write_sheets(book, name, work / file, people=story.people, round_number=1, shown=shown, made_by=WHO)
        tell(0.60, "confirmation: coupons at the setpoint and at corners of the window")
        confirmed = demo_later.confirm(book, story)
        tell(0.70, "report")
        write_whole(work / REPORT, report_page(book, answers[-1], shown=shown))
        tell(0.80, "release, and the card for the press")
        released = demo_later.release(book, story)
        demo_later.write_card(book, released, work / CARD, shown=shown)
        tell(0.88, "two new materials compared with the recipe")
        compared = demo_later.compare(book, story, released, (work / HOLDS, work / RETUNE), shown=shown, made_by=WHO)
        book.backup(work / BOOK)
    return answers, (confirmed, demo_later.release_words(released), *compared)


def begin_story(book: Book, story: Story, tell: Step = lambda share, what: None) -> tuple[Recommended, ...]:
    """Set up the shop and record its rounds; the answer after each."""
    answers = []
    tell(0.05, "stack, line, gauge readings, study with its limits")
    _set_up(book, story)
    for number, made in enumerate(read_rounds(story), start=1):
        start = 0.08 + 0.23 * (number - 1)
        tell(start, f"round {number}: {len(made.coupons)} coupons planned, made, scored")
        _record(book, story.study.name, made)
        answers.append(recommend_study(book, story.study.name, progress=_part(tell, start + 0.03, 0.18)))
    return tuple(answers)


def _set_up(book: Book, story: Story) -> None:
    book.save_stack(story.stack)
    book.save_line(story.line)
    for reading in story.readings:
        book.add_gauge_reading(story.line.name, reading)
    book.add_study(story.study, stack=story.stack.name, line=story.line.name)


def _record(book: Book, name: str, made: Round) -> None:
    """Store one round with its scores."""
    notes = ("Invented coupons of the demo.",)
    book.save_round(name, made.coupons, kind=made.kind, seed=made.seed, notes=notes, scale="surface")
    book.record(name, made.entries)


def _part(tell: Step, start: float, width: float) -> Callable[[float], None]:
    """Progress of one part of the whole."""
    return lambda share: tell(start + width * share, "fit and setpoint")


def size_kb(path: Path) -> int:
    """Size of a file in whole kilobytes, at least 1."""
    return max(1, round(path.stat().st_size / 1024))
