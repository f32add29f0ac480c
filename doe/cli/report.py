"""`doe report`: the study report, one HTML file that documents why."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from doe.cli.desk import Desk, command
from doe.cli.output import Reply
from doe.cli.plan import SEED
from doe.cli.study import KEY


def register(root: typer.Typer) -> None:
    """Add the command to the command tree."""

    @command(root, "report", example='doe report "new powder" -o report.html')
    def report(
        desk: Desk,
        study: KEY,
        output: Annotated[Path, typer.Option("--output", "-o", help="The HTML file to write.")] = Path("report.html"),
        seed: SEED = None,
    ) -> Reply:
        """Write the study report: one HTML file that needs no network and documents why."""
        from doe.acts.sheets import write_report
        from doe.cli.recommend import history
        from reports.answer_words import HEADLINES

        with desk.open(create=False) as book, desk.progress("writing the report") as tell:
            made = write_report(book, study, output, shown=desk.shown, seed=seed, progress=tell)
        answer, name = made.found.answer, made.found.fitted.record.name
        return Reply(
            {"study": name, "report": made.path, "verdict": answer.verdict, "inputs_hash": made.found.fitted.hash,
             "kept_since": made.found.kept.made_at if made.found.kept else None,
             "results_changed_since": made.found.before.made_at if made.found.before else None},
            (f"The report of {name} is in {made.path}. {HEADLINES[answer.verdict]}.", *history(made.found)),
            (f"open {made.path} in a browser",),
        )  # fmt: skip
