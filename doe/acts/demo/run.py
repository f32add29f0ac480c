"""Running the demo: the invented shop from its first stack to its report, into a folder of its own."""

from __future__ import annotations

import shutil
import tempfile
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from doe.acts.base import today
from doe.acts.comparison.plan import Wanted, begin_comparison
from doe.acts.comparison.verdict import Compared, judge_comparison, write_comparison
from doe.acts.confirmation.plan import ClaimWishes, ConfirmationPlanned, plan_confirmation
from doe.acts.confirmation.verdict import confirm_study
from doe.acts.demo.story import Round, Story, entry_of, packaged, read_rounds, read_story, rows_of, simulated_line
from doe.acts.recipe.release import Released, Wishes, release_study
from doe.acts.study.fits import Recommended, recommend_study
from doe.acts.study.sheets import report_page, write_sheets
from doe.acts.study.standing import standing_of_recipe
from doe.book.book import Book
from doe.domain.errors import DoeError, InputError
from doe.domain.recipe import PARTS
from doe.domain.score import ScoreEntry
from doe.domain.units import METRIC, Shown
from doe.files import flush_folder, is_stale
from doe.words import typed
from doe.words.wording import count
from reports.files import write_whole
from reports.recipe.card import recipe_card

WHO = "demo (invented shop)"
BOOK, SHEET, ENTRY, REPORT = "book.sqlite", "sheet.html", "entry.xlsx", "report.html"
CARD, HOLDS, RETUNE = "recipe-card.html", "comparison-holds.html", "comparison-retune.html"
MAKING = ".making-"
"""Start of the name of the folder in which a demo is made until it is whole."""
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
        for left in filter(is_stale, folder.glob(f"{MAKING}*")):
            shutil.rmtree(left, ignore_errors=True)
        with tempfile.TemporaryDirectory(dir=folder, prefix=MAKING) as name:
            work = Path(name)
            answers, later = _tell_story(work, story, shown, tell)
            tell(0.97, "moving the files into place")
            if kept is not None:
                (folder / BOOK).replace(kept)
            for made in FILES:
                (work / made).replace(folder / made)
            flush_folder(folder)
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
        confirmed = confirm(book, story)
        tell(0.70, "release, and the card for the press")
        released = release(book, story)
        kept = book.recipe(released.recipe.name)
        write_whole(work / CARD, recipe_card(kept, today(), shown, standing_of_recipe(book, kept)))
        tell(0.75, "report")  # after the release, so that it says what every command says of the study
        write_whole(work / REPORT, report_page(book, answers[-1], shown=shown))
        tell(0.88, "two new materials compared with the recipe")
        compared = compare(book, story, released, (work / HOLDS, work / RETUNE), shown=shown, made_by=WHO)
        book.backup(work / BOOK)
    return answers, (confirmed, f"Released: {released.recipe.name}, revision {released.recipe.revision}.", *compared)


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


CONFIRMATION = "confirmation.csv"
CLAIM, ASSURANCE = 0.90, 0.90
"""What the demo's confirmation is to show: 22 coupons without a failure."""


def plan_the_confirmation(book: Book, story: Story) -> ConfirmationPlanned:
    """Fix the rule of the demo's confirmation and store its coupons."""
    return plan_confirmation(book, story.study.name, ClaimWishes((CLAIM,), ASSURANCE))


def scores_from(story: Story, text: str) -> tuple[ScoreEntry, ...]:
    """Scores of a data file."""
    return tuple(entry_of(story, row) for row in rows_of(text))


def confirm(book: Book, story: Story) -> str:
    """Plan the confirmation, and record what came of it; its verdict in words."""
    plan_the_confirmation(book, story)
    book.record(story.study.name, scores_from(story, packaged(CONFIRMATION)))
    found = confirm_study(book, story.study.name).confirmed
    return f"Confirmation, {count(found.counts.coupons, 'coupon')}: {found.verdict}."


def release(book: Book, story: Story) -> Released:
    """Release the confirmed answer as the first revision of a recipe."""
    return release_study(book, story.study.name, Wishes(**story.data["release"]), now=datetime.now(UTC))


def compare(
    book: Book, story: Story, released: Released, files: Sequence[Path], *, shown: Shown, made_by: str
) -> tuple[str, ...]:
    """Compare each new material of the story with the recipe, and write its page; the verdicts in words."""
    said = []
    for told, output in zip(read_comparisons(), files, strict=True):
        found = tell_comparison(book, released.recipe.name, told, story)
        write_comparison(book, found, output, shown=shown, made_by=made_by)
        said.append(f"Compared, {told.name}: {found.comparison.verdict}.")
    return tuple(said)


SEED = 7
"""Of the order of the coupons."""


@dataclass(frozen=True)
class DemoComparison:
    """One comparison of the story: what is new, how the simulated line shifts under it (degC), and its luck."""

    name: str
    wanted: Wanted
    shift: Mapping[str, float]
    day_seed: int


def read_comparisons() -> tuple[DemoComparison, ...]:
    """The comparisons of the story, in their order; needs no pandas."""
    return tuple(
        DemoComparison(
            made["name"],
            Wanted(
                parts={part: typed.material(made[part], part, place=part) for part in PARTS if part in made},
                limits=typed.limits(made["limits"], None, METRIC),
                name=made["name"],
                seed=SEED,
            ),
            dict(made["shift"]),
            int(made["day_seed"]),
        )
        for made in tomllib.loads(packaged("comparisons.toml"))["comparisons"]
    )


def tell_comparison(book: Book, recipe_name: str, told: DemoComparison, story: Story) -> Compared:
    """Begin a comparison with a released recipe of the demo's book, make and score its coupons, and judge it."""
    begun = begin_comparison(book, recipe_name, told.wanted)
    book.record(begun.record.id, scores_of(story, told, begun.coupons))
    return judge_comparison(book, begun.record.id)


def scores_of(story: Story, told: DemoComparison, coupons: pd.DataFrame) -> list[ScoreEntry]:
    """Scores of a comparison's coupons from the simulated line, each material as the line takes it."""
    line = simulated_line(story)
    offsets = {k: line.display_offset.get(k, 0.0) + told.shift.get(k, 0.0) for k in {*line.display_offset, *told.shift}}
    made: list[ScoreEntry] = []
    for material, seed in (("incumbent", told.day_seed), ("new", told.day_seed + 1000)):
        pressed = replace(line, display_offset=offsets) if material == "new" else line
        mine = pressed.run(coupons[coupons["material"] == material], seed)
        made += [_entry(story, row) for row in mine.to_dict("records")]
    return made


def _entry(story: Story, row: Mapping[object, object]) -> ScoreEntry:
    checks = {c.name: row[c.name] for c in story.study.spec.checks}
    hand = {who: float(str(row[f"hand_{who}"])) for who in story.people}
    return ScoreEntry(
        str(row["coupon"]),
        checks={name: bool(value) for name, value in checks.items() if value in (True, False)},
        symptoms=tuple(s for s in str(row["symptom"]).split(";") if s),
        side=str(row["side"]),
        hand={who: value for who, value in hand.items() if value == value},  # noqa: PLR0124 - NaN
    )
