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
from reports.files import write_whole
from reports.recipe.card import recipe_card

app = commands()


@command(app, "card", example='doe recipe card "heavy tee" -o card.html')
def card(
    desk: Desk,
    recipe: RECIPE,
    output: Annotated[Path, typer.Option("--output", "-o", help="The HTML file to write.")] = Path("card.html"),
    revision: REVISION = None,
) -> Reply:
    """Write the card for the press: one page of A4 or Letter."""
    with desk.look() as book:
        kept = find_recipe(book, recipe, revision)
    path = write_whole(output, recipe_card(kept, today(), desk.shown))
    stale = "" if kept.in_force else " It is not in force: the card says so."
    return Reply(
        {"recipe": kept.recipe.name, "revision": kept.recipe.revision, "in_force": kept.in_force, "card": path},
        (f"The card of {kept.recipe.name}, revision {kept.recipe.revision}, is in {path}.{stale}",),
        (f"open {path} in a browser and print it",),
    )
