"""`doe record`: scores into the book, from a file, by flags, or coupon by coupon at the press."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from doe.acts.study.next_step import next_step
from doe.cli import scoring
from doe.cli.again import record_again
from doe.cli.desk import Desk, command, commands
from doe.cli.options import KEY
from doe.cli.output import Reply, Warn
from doe.cli.press_side import ask_coupons
from doe.cli.sheet import PEOPLE
from doe.cli.study_words import step_command
from doe.domain.errors import InputError
from doe.words.study.plans import plan_notes
from doe.words.study.state import counts_sentence
from doe.words.wording import count

app = commands()


@command(
    app,
    "record",
    example="""
    doe record "new powder" --file sheets/new-powder-round-1.xlsx
    doe record "new powder" --coupon R1-03 --pass release --fail stretch \\
      --symptom "edge lift dry" --hand ana=3.5
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
        list[str] | None,
        typer.Option("--map", help='Repeat, for --own-sheet: "heading=factor, check or hand_ana".'),
    ] = None,
    coupon: Annotated[str | None, typer.Option(help="One coupon, such as R1-03.")] = None,
    passed: Annotated[list[str] | None, typer.Option("--pass", help="Repeat: a check it passed.")] = None,
    failed: Annotated[list[str] | None, typer.Option("--fail", help="Repeat: a check it failed.")] = None,
    symptom: Annotated[list[str] | None, typer.Option(help="Repeat: what is seen on it.")] = None,
    side: Annotated[str, typer.Option(help="under, over, other or unknown; otherwise from the symptom.")] = "",
    hand: Annotated[list[str] | None, typer.Option(help="Repeat: hand-feel, such as ana=3.5.")] = None,
    actual: Annotated[list[str] | None, typer.Option(help="Repeat: a measured setting, press_temp=148.")] = None,
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
        coupon, passed or [], failed or [], symptom or [], side, hand or [], actual or [], note, void
    )
    with desk.open(create=False) as book:
        if sum(map(bool, (file, own_sheet, one.says_anything))) > 1:
            raise InputError(
                "doe record",
                "several sources at once",
                "a file, a sheet of your own, or one coupon",
                "Use one of them at a time.",
            )
        if again:
            return record_again(desk, book, study, file=file, one=one, own_sheet=own_sheet)
        if file is not None:
            done = scoring.record_file(book, study, file, why=why)
        elif own_sheet is not None:
            uses = scoring.own_uses(desk, book, study, own_sheet, columns or [])
            done = scoring.record_own(book, study, own_sheet, uses, people=person or (), why=why)
        elif one.says_anything:
            done = scoring.record_one(book, study, one, desk.shown, why=why, confirm=desk.confirm)
        elif desk.can_ask:
            done = ask_coupons(book, study, desk.shown, people=person, washes=washes)
        else:
            raise InputError(
                "doe record", "nothing to record", "--file, --coupon or --own-sheet", "See: doe record --help."
            )
        asked = book.study(study).study
        following = step_command(asked, next_step(book, study))
    notes = plan_notes(done.notes, asked, desk.shown)
    apart = () if done.confirmation is None else (f"Confirmation: {counts_sentence(done.confirmation)}",)
    return Reply(
        {
            "study": done.study,
            "coupons": done.coupons,
            "new_fields": done.fields,
            "notes": notes,
            "note_facts": done.notes,
            "counts": done.counts,
            "confirmation_counts": done.confirmation,
            "judgement": done.judgement,
        },
        (
            f"{count(done.coupons, 'coupon')}: {count(done.fields, 'new entry', 'new entries')}.",
            counts_sentence(done.counts),
            *apart,
            *(Warn(n) for n in notes),
            *done.judgement,
        ),
        (following,),
    )
