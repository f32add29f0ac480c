"""`doe recipe card`: the card for the press."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from doe.acts.base import today
from doe.acts.recipe.recipes import find_recipe
from doe.cli.desk import Desk, command, commands
from doe.cli.options import RECIPE, REVISION
from doe.cli.output import Reply
from doe.domain.errors import InputError
from reports.files import write_whole
from reports.recipe.card import recipe_card

pass

app = commands()


@command(app, "card", example='doe recipe card "heavy tee" -o card.html')
def card(
    desk: Desk,
    recipe: RECIPE,
    output: Annotated[Path, typer.Option("--output", "-o", help="The HTML file to write.")] = Path("card.html"),
    revision: REVISION = None,
) -> Reply:
    """Write the card for the press: one page of A4 or Letter."""
    if output.is_dir():
        raise InputError(str(output), "a folder", "the name of a file", "Add a file name, such as card.html.")
    with desk.look() as book:
        kept = find_recipe(book, recipe, revision)
    page = recipe_card(
        kept.recipe,
        uid=kept.uid,
        on=today(),
        superseded=kept.superseded,
        retired_why=kept.retired_why,
        shown=desk.shown,
    )
    path = write_whole(output, page)
    stale = "" if kept.in_force else " It is not in force: the card says so."
    return Reply(
        {"recipe": kept.recipe.name, "revision": kept.recipe.revision, "in_force": kept.in_force, "card": path},
        (f"The card of {kept.recipe.name}, revision {kept.recipe.revision}, is in {path}.{stale}",),
        (f"open {path} in a browser and print it",),
    )
