"""`doe record`: scores into the book, from a file, by flags, or coupon by coupon at the press."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from doe.acts.scoring.people import record_looks
from doe.acts.study.next_step import next_step
from doe.acts.study.plans import whole_plan
from doe.book.records import StudyRecord
from doe.book.sheets.entry import EntryFile
from doe.cli import scoring
from doe.cli.desk import Desk, command, commands
from doe.cli.options import KEY, Texts
from doe.cli.output import Reply, Warn
from doe.cli.sheet import PEOPLE
from doe.cli.study_words import step_command
from doe.domain.errors import InputError
from doe.domain.texts import quoted
from doe.words.facts import filled
from doe.words.people import missing_words
from doe.words.study.plans import plan_notes
from doe.words.study.state import counts_sentence

if TYPE_CHECKING:
    from doe.book.book import Book

app = commands()


@command(
    app,
    "record",
    example="""
    doe record "new powder" --file sheets/new-powder-round-1.xlsx
    doe record "new powder" --coupon R1-03 --pass release --fail stretch \\
      --symptom "edge lift dry" --grade slightly --hand ana=3.5
    doe record "new powder" --coupon R1-04 --actual press_temp=148 \\
      --note "gauge strip under the film"
    doe record "new powder" --coupon R1-05 --void "film torn at the press"
    doe record "new powder" --again --coupon R1-06 --pass release --hand ben=3.5
    """,
)
def record(
    desk: Desk,
    study: KEY,
    file: Annotated[Path | None, typer.Option(help="A filled entry file, .xlsx or .csv; all of it or nothing.")] = None,
    own_sheet: Annotated[
        Path | None, typer.Option(help="A sheet of your own with settings and scores, made without a plan.")
    ] = None,
    columns: Annotated[
        Texts,
        typer.Option("--map", help='Repeat, for --own-sheet: "heading=factor, check or hand_ana".'),
    ] = None,
    coupon: Annotated[str | None, typer.Option(help="One coupon, such as R1-03.")] = None,
    passed: Annotated[Texts, typer.Option("--pass", help="Repeat: a check it passed.")] = None,
    failed: Annotated[Texts, typer.Option("--fail", help="Repeat: a check it failed.")] = None,
    symptom: Annotated[Texts, typer.Option(help="Repeat: what is seen on it.")] = None,
    side: Annotated[str, typer.Option(help="under, over, other or unknown; otherwise from the symptom.")] = "",
    grade: Annotated[
        str, typer.Option(metavar="WORD", help='Optional: passed clean or "only just"; failed slightly or badly.')
    ] = "",
    hand: Annotated[Texts, typer.Option(help="Repeat: hand-feel, such as ana=3.5.")] = None,
    actual: Annotated[Texts, typer.Option(help="Repeat: a measured setting, press_temp=148.")] = None,
    note: Annotated[str, typer.Option(help="Anything worth keeping.")] = "",
    void: Annotated[str | None, typer.Option(metavar="REASON", help="The coupon is lost or spoiled, and why.")] = None,
    person: PEOPLE = None,
    washes: Annotated[
        bool, typer.Option("--washes", help="At a terminal: ask for the wash checks, not the first ones.")
    ] = False,
    again: Annotated[
        bool, typer.Option("--again", help="A further, blind look by --who: kept beside the scores, changes none.")
    ] = False,
    why: Annotated[str, typer.Option(help="Why scores are corrected.")] = "",
) -> Reply:
    """Record scores: from a filled file, for one coupon, from a sheet of your own, or asked one by one."""
    one = scoring.ScoreOptions(
        coupon, passed or (), failed or (), symptom or (), side, hand or (), actual or (), note, void, grade
    )
    with desk.open(create=False) as book:
        if sum(map(bool, (file, own_sheet, one.says_anything))) > 1:
            raise InputError(
                "doe record",
                "several sources at once",
                "a file, a sheet of your own, or one coupon",
                "Use one of them at a time.",
            )
        kept = book.study(study)
        found = None
        if file is not None:
            found = scoring.read_file(book, kept, file)
        elif one.says_anything:
            whole_plan(book, kept)
            found = EntryFile((scoring.read_typed(kept.study, one, desk.shown, confirm=desk.confirm),), ())
        elif own_sheet is None and not desk.can_ask:
            raise InputError(
                f"doe record{' --again' if again else ''}",
                "nothing to record",
                "--file, --coupon or --own-sheet",
                "See: doe record --help.",
            )
        if again:
            if own_sheet is not None:
                raise InputError(
                    "--again", "a sheet of your own", "an entry file, one coupon, or nothing", "Leave one out."
                )
            return _again(desk, book, kept, found)
        if found is not None:
            done = scoring.record_entries(book, kept, found, why=why)
        elif own_sheet is not None:
            uses = scoring.own_uses(desk, kept, own_sheet, columns or ())
            done = scoring.record_own(book, kept, own_sheet, uses, people=person or (), why=why)
        else:
            done = scoring.ask_coupons(book, kept, desk.shown, people=person, washes=washes)
        following = step_command(kept.study, next_step(book, study))
    notes = plan_notes(done.notes, kept.study, desk.shown)
    apart = () if done.confirmation_counts is None else (f"Confirmation: {counts_sentence(done.confirmation_counts)}",)
    return Reply(
        {**vars(done), "notes": notes, "note_facts": done.notes},
        (
            filled("{n:coupon}: {new:new entry/new entries}.", n=done.coupons, new=done.new_fields),
            counts_sentence(done.counts),
            *apart,
            *map(Warn, notes),
            *done.judgement,
        ),
        (following,),
    )


def _again(desk: Desk, book: Book, record: StudyRecord, found: EntryFile | None) -> Reply:
    """Store further, blind looks, or ask for them; nothing of the first scores is shown."""
    notes: tuple[str, ...] = ()
    if found is None:
        coupons, fields = scoring.ask_again(book, record.id, desk.name)
    else:
        _, coupons, fields, left = record_looks(book, record.id, found.entries, desk.name)
        notes = (*plan_notes(found.notes, record.study, desk.shown), *missing_words(left))
    said = filled(
        "{n:coupon} looked at again: {new:new entry/new entries}, kept beside the first scores. No result of the study "
        "changed.",
        n=coupons,
        new=fields,
    )
    return Reply(
        {"study": record.name, "coupons": coupons, "new_fields": fields, "again": True, "notes": notes},
        (said, *map(Warn, notes)),
        (f"doe people {quoted(record.name)}",),
    )
