"""`doe release` and `doe recipe add`: a confirmed setpoint, or a material it holds for, becomes a recipe revision."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime

from doe.acts.base import slug
from doe.acts.recipe.also import add_material
from doe.acts.recipe.release import Released, Wishes, release_study
from doe.cli.desk import Block, Desk, Reply, Screen, Warn, command
from doe.cli.recipe import settings_blocks
from doe.domain.errors import InputError, quoted
from doe.domain.recipe import PARTS
from doe.domain.units import Shown
from doe.words.recipe.card import also_sentences, confirmation_sentence, recipe_cautions
from doe.words.recipe.record import found_words, item_data, item_label
from doe.words.wording import day


@command("release")
def release(desk: Desk, study: str, wishes: Wishes, lot: Sequence[str] = ()) -> Reply:
    """Release the confirmed answer of a study as a recipe, or say everything that is missing for it.

    A release cannot be taken back: a mistake in it is put right by the next revision, or the recipe is retired.
    """
    wishes = replace(wishes, lots=lots_typed(lot))
    with desk.open(create=False) as book, desk.progress("checking what it rests on") as tell:
        made = release_study(book, study, wishes, now=datetime.now(UTC), progress=tell)
    recipe = made.recipe
    blocks, rest = released_blocks(made, desk.shown)
    card = f"doe recipe card {quoted(recipe.name)} -o {slug(recipe.name)}.html"
    return Reply(
        {
            "id": made.id,
            "recipe": recipe,
            "record": [item_data(item, recipe.study) for item in made.items],
            "others": made.others,
        },
        blocks,
        (card, f"doe report --recipe {quoted(recipe.name)} -o why.html"),
        is_once=True,
        more=rest,
    )


@command("recipe add")
def add(desk: Desk, comparison: str, approved_by: str, why: str = "") -> Reply:
    """Add the material of a comparison to its recipe, as a revision: the same recipe holds."""
    with desk.open(create=False) as book:
        kept = add_material(book, comparison, approved_by=approved_by, why=why, now=datetime.now(UTC))
    recipe = kept.recipe
    return Reply(
        {"id": kept.id, "recipe": recipe},
        (
            f"Recipe {recipe.name}, revision {recipe.revision}, is released; settings and review as before.",
            f"Also for {also_sentences(recipe)[-1]}.",
            "Print its card anew and take the old one down.",
        ),
        (
            f"doe recipe card {quoted(recipe.name)} -o {slug(recipe.name)}.html",
            f"doe recipe history {quoted(recipe.name)}",
        ),
    )


def lots_typed(texts: Sequence[str]) -> Mapping[str, str]:
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


def released_blocks(made: Released, shown: Shown) -> Screen:
    """A release for a person: what it is, its settings, what it rests on; then what the record can only say."""
    recipe = made.recipe
    said = [f"{item_label(item)}: {found_words(item)}." for item in made.items if item.state == "said"]
    blocks: list[Block] = [
        f"Recipe {recipe.name}, revision {recipe.revision}, is released for {recipe.line.name}; "
        f"review by {day(recipe.review_on)}.",
        *(("It supersedes the revision before, which stays in the book.",) if recipe.revision > 1 else ()),
        *settings_blocks(recipe, shown),
        "",
        confirmation_sentence(recipe.confirmation, recipe.exception),
        *(Warn(text) for text in recipe_cautions(recipe)),
    ]
    return blocks, ["\nWhat the record can only say, not show:", *(f"  {text}" for text in said)] if said else []
