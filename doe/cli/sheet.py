"""`doe sheet`: the bench sheet to print, and entry files to fill in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from doe.cli.desk import Desk, command
from doe.cli.output import Reply, Warn
from doe.cli.study import KEY
from doe.domain.texts import quoted

PEOPLE = Annotated[list[str] | None, typer.Option("--person", help="Repeat: who feels the coupons (hand-feel).")]


def register(root: typer.Typer) -> None:
    """Add the command to the command tree."""

    @command(root, "sheet", example="""
        doe sheet "new powder" -o sheets --person ana --person ben
        doe sheet "new powder" -o round-1.xlsx --round 1 --person ana --person ben
    """)  # fmt: skip
    def sheet(
        desk: Desk,
        study: KEY,
        output: Annotated[
            Path, typer.Option("--output", "-o", help="A folder for all three, or one .html, .xlsx or .csv file.")
        ] = Path("sheets"),
        person: PEOPLE = None,
        round_number: Annotated[
            int | None, typer.Option("--round", help="Which round; the last one otherwise.")
        ] = None,
    ) -> Reply:
        """Write the bench sheet (HTML, to print) and entry files (XLSX and CSV, to fill in)."""
        from doe.acts.sheets import write_sheets

        with desk.look() as book:
            made = write_sheets(
                book, study, output, people=person, round_number=round_number, shown=desk.shown, made_by=desk.name
            )
        nobody = () if made.people or not made.wants_hand else (
            Warn("Nobody is named for hand-feel, which is part of the target: add --person NAME."),)  # fmt: skip
        entry = next((f for f in made.files if f.suffix == ".xlsx"), made.files[-1])
        return Reply(
            {"study": made.study, "round": made.round, "files": made.files, "people": made.people},
            (f"Round {made.round} of {made.study}:", *(f"  {f}" for f in made.files), *nobody),
            (f"print the .html, work through it, then: doe record {quoted(made.study)} --file {quoted(str(entry))}",),
        )
