"""`doe release`: a confirmed setpoint becomes a recipe revision."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated

import typer

from doe.acts.base import slug
from doe.acts.recipe.release import Released, Wishes, release_study
from doe.cli.desk import Desk, command, commands
from doe.cli.options import KEY
from doe.cli.output import Block, Reply, Warn
from doe.cli.recipe import recipe_table
from doe.domain.errors import InputError
from doe.domain.recipe import PARTS
from doe.domain.texts import quoted
from doe.domain.units import Shown
from doe.words.dates import day
from doe.words.recipe.card import confirmation_sentence, recipe_cautions
from doe.words.recipe.record import found_words, item_data, item_label

app = commands()


@command(
    app,
    "release",
    example="""
    doe release "new powder" --as "heavy tee" --approved-by Kim \\
      --gap "10 s, flat" --peel "cold, wait 60 s, slow and low" \\
      --second-press "7 s under a cover sheet" --care-label "wash at 40, no tumble" \\
      --room "21 degC, 45 % humidity"
    """,
)
def release(
    desk: Desk,
    study: KEY,
    name: Annotated[str, typer.Option("--as", help="Name of the recipe; the same name makes its next revision.")],
    approved_by: Annotated[str, typer.Option(help="Who approves it and answers for it.")],
    gap: Annotated[str, typer.Option(help="Wait between cure and press.")] = "",
    peel: Annotated[str, typer.Option(help="Hot, warm or cold, the wait before it, and how.")] = "",
    second_press: Annotated[str, typer.Option(help="How long and under what, or none.")] = "",
    handling: Annotated[list[str] | None, typer.Option(help="Repeat: another step, a sentence.")] = None,
    lot: Annotated[list[str] | None, typer.Option(help="Repeat: a lot that the stack does not name, film=77.")] = None,
    care_label: Annotated[str, typer.Option(help="What the care label of the fabric says.")] = "",
    room: Annotated[str, typer.Option(help="Temperature and humidity of the room.")] = "",
    void: Annotated[list[str] | None, typer.Option(help="Repeat: what else would make it void.")] = None,
    review_months: Annotated[int, typer.Option(help="Months until it is looked at again, at most 24.")] = 12,
    why: Annotated[str, typer.Option(help="Why a new revision of that name is made.")] = "",
    exception: Annotated[
        str, typer.Option(metavar="REASON", help="Release without an accepted confirmation, and why.")
    ] = "",
    setpoint_only: Annotated[
        bool, typer.Option("--setpoint-only", help="Release without a window, when a corner was not confirmed.")
    ] = False,
) -> Reply:
    """Release the confirmed answer of a study as a recipe, or say everything that is missing for it."""
    wishes = Wishes(
        name,
        approved_by,
        why,
        exception,
        review_months,
        gap,
        peel,
        second_press,
        tuple(handling or ()),
        tuple(void or ()),
        setpoint_only,
        lots_typed(lot or ()),
        care_label,
        room,
    )
    with desk.open(create=False) as book, desk.progress("checking what it rests on") as tell:
        made = release_study(book, study, wishes, now=datetime.now(UTC), progress=tell)
    recipe = made.recipe
    card = f"doe recipe card {quoted(recipe.name)} -o {slug(recipe.name)}.html"
    return Reply(
        {
            "id": made.id,
            "recipe": recipe,
            "record": [item_data(item, recipe.study) for item in made.items],
            "others": made.others,
        },
        released_blocks(made, desk.shown),
        (card, f"doe report --recipe {quoted(recipe.name)} -o why.html"),
    )


def lots_typed(texts: list[str] | tuple[str, ...]) -> Mapping[str, str]:
    """Lots of ``film=77`` and the like, by part."""
    found: dict[str, str] = {}
    for text in texts:
        part, equals, lot = (piece.strip() for piece in text.partition("="))
        if not equals or part not in PARTS or part in found:
            raise InputError(
                "--lot", repr(text), f"one of {', '.join(PARTS)} and its lot, each once", "Write it like film=77."
            )
        found[part] = lot
    return found


def released_blocks(made: Released, shown: Shown) -> list[Block]:
    """A release for a person: what it is, its settings, what it rests on, and what the record can only say."""
    recipe = made.recipe
    said = [f"{item_label(item)}: {found_words(item)}." for item in made.items if item.state == "said"]
    return [
        f"Recipe {recipe.name}, revision {recipe.revision}, is released for {recipe.line.name}; "
        f"review by {day(recipe.review_on)}.",
        *(("It supersedes the revision before, which stays in the book.",) if recipe.revision > 1 else ()),
        recipe_table(recipe, shown),
        "",
        confirmation_sentence(recipe.confirmation, recipe.exception),
        *(Warn(text) for text in recipe_cautions(recipe)),
        *(("\nWhat the record can only say, not show:", *(f"  {text}" for text in said)) if said else ()),
    ]
