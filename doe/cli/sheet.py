"""`doe sheet`: the bench sheet to print, and entry files to fill in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from doe.acts.study.sheets import write_labels, write_sheets
from doe.cli.desk import Desk, command, commands
from doe.cli.options import KEY
from doe.cli.output import Reply, Warn
from doe.domain.errors import InputError
from doe.domain.texts import quoted
from doe.words.wording import count

PEOPLE = Annotated[list[str] | None, typer.Option("--person", help="Repeat: who feels the coupons (hand-feel).")]


app = commands()


@command(
    app,
    "sheet",
    example="""
    doe sheet "new powder" -o sheets --person ana --person ben
    doe sheet "new powder" -o round-1.xlsx --round 1 --person ana --person ben
    doe sheet "new powder" -o sheets --labels a4 --link http://192.168.1.20:8731
    """,
)
def sheet(
    desk: Desk,
    study: KEY,
    output: Annotated[
        Path, typer.Option("--output", "-o", help="A folder for all three, or one .html, .xlsx or .csv file.")
    ] = Path("sheets"),
    person: PEOPLE = None,
    round_number: Annotated[int | None, typer.Option("--round", help="Which round; the last one otherwise.")] = None,
    labels: Annotated[
        str | None, typer.Option("--labels", help="Sticker labels instead, on a4 or letter sheets.")
    ] = None,
    link: Annotated[
        str, typer.Option("--link", help="Labels: address of the page at the press, for their codes.")
    ] = "",
    skip: Annotated[int, typer.Option("--skip", help="Labels: how many of the first sheet are used already.")] = 0,
) -> Reply:
    """Write the bench sheet (HTML, to print) and entry files (XLSX and CSV, to fill in), or sticker labels."""
    if labels is not None:
        with desk.look() as book:
            stuck = write_labels(
                book,
                study,
                output,
                grid=labels.lower(),
                link=link,
                skip=skip,
                round_number=round_number,
                shown=desk.shown,
            )
        codes = "" if stuck.link else " The codes hold the coupon's name; with --link they open its page."
        return Reply(
            {
                "study": stuck.study,
                "round": stuck.round,
                "files": (stuck.path,),
                "labels": stuck.labels,
                "link": stuck.link,
            },
            (
                f"{count(stuck.labels, 'label')} for round {stuck.round} of {stuck.study}:",
                f"  {stuck.path}",
                f"For {stuck.grid.words}.{codes}",
            ),
            ("print at full size (100 %), first on plain paper to try",),
        )
    if link or skip:
        raise InputError(
            "--link" if link else "--skip",
            link or skip,
            "only with --labels",
            "Add --labels a4 or --labels letter.",
        )
    with desk.look() as book:
        made = write_sheets(
            book, study, output, people=person, round_number=round_number, shown=desk.shown, made_by=desk.name
        )
    nobody = (
        ()
        if made.people or not made.wants_hand
        else (Warn("Nobody is named for hand-feel, which is part of the target: add --person NAME."),)
    )
    entry = next((f for f in made.files if f.suffix == ".xlsx"), made.files[-1])
    return Reply(
        {
            "study": made.study,
            "round": made.round,
            "files": made.files,
            "people": made.people,
            "gauge_cautions": made.cautions,
        },
        (
            f"Round {made.round} of {made.study}:",
            *(f"  {f}" for f in made.files),
            *nobody,
            *(Warn(text) for text in made.cautions),
        ),
        (f"print the .html, work through it, then: doe record {quoted(made.study)} --file {quoted(str(entry))}",),
    )
