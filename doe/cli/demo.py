"""`doe demo`: an invented shop from its first stack to its report."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from doe.acts.demo.run import BOOK, CARD, ENTRY, FILES, HOLDS, REPORT, RETUNE, SHEET, DemoDone, run_demo, size_kb
from doe.acts.gauges.line import gauged_line
from doe.book.book import Book
from doe.cli.desk import Commands, Desk, Reply, Screen, Table, command
from doe.cli.gauge_dials import dial_notes
from doe.cli.recommend import settings_table
from doe.domain.errors import quoted
from doe.domain.jsonable import named
from doe.words.gauges.dials import Dialled
from doe.words.study import answer as words
from doe.words.study.standing import headline


@command("demo")
def demo(desk: Desk, folder: Path = Path("doe-demo")) -> Reply:
    """Run an invented shop from its first stack to its report, in a folder of its own."""
    with desk.steps() as step:
        done = run_demo(folder, shown=desk.shown, step=step)
    data = {
        **named(done, "folder", "later", "kept_book"),
        "files": {name.rpartition(".")[0]: done.path(name) for name in FILES},
        "invented": True,
        "study": done.story.study.name,
        "verdicts": [found.answer.verdict for found in done.answers],
        "setpoint": done.answers[-1].answer.setpoint,
        "commands": done.story.commands,
    }
    following = f"doe study show {quoted(done.story.study.name)} --book {done.path(BOOK)}"
    blocks, more = _blocks(done, desk)
    shop = f"doe open {quoted(str(done.folder))}"
    return Reply(data, blocks, (f"open {done.path(REPORT)} in a browser", shop, following), more=more)


def _blocks(done: DemoDone, desk: Desk) -> Screen:
    """What happened, the settings and the files worth opening; then every file, and the commands behind it."""
    worth = {
        REPORT: "the report: verdict, settings, pictures, proof",
        CARD: "the recipe's card for the press, one page",
        RETUNE: "a new blank, compared: it must be retuned",
    }
    rest = {
        SHEET: "bench sheet of round 1, to print",
        ENTRY: "entry file of round 1, to fill in",
        HOLDS: "another blank, for which the recipe holds",
        BOOK: "the book of the invented shop",
    }
    last = done.answers[-1]
    record = last.fitted.record
    with Book.open(done.path(BOOK), who=desk.name, create=False) as book:
        dialled = Dialled(record.study, gauged_line(book, record), desk.shown)
    rounds = [
        f"After round {n}, {f.fitted.surfaces.results.coupons} coupons: {headline(words.by_answer(f.answer)).lower()}."
        for n, f in enumerate(done.answers, start=1)
    ]
    kept = [f"Somebody had worked in the earlier demo book; it is kept as {done.kept_book}."] if done.kept_book else []
    return [
        done.story.about,
        *rounds,
        *done.later[:RELEASED],
        _files(done, worth),
        settings_table(record.study, last, dialled),
        *kept,
    ], [
        *dial_notes(dialled),
        *done.later[RELEASED:],
        "",
        words.lead(record.study, last.answer),
        _files(done, rest),
        "\nThe same by hand, in a book of your own:",
        Commands(done.story.commands),
    ]


RELEASED = 2
"""What came after the rounds up to the release: confirmed, released; comparisons follow."""


def _files(done: DemoDone, told: Mapping[str, str]) -> Table:
    rows = [(str(done.path(name)), f"{size_kb(done.path(name))} kB", text) for name, text in told.items()]
    return Table(("file", "size", "what it is"), rows, right=("size",))
