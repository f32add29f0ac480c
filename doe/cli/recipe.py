"""`doe recipe`: the recipes in force, their cards, their history, and which one suits a fabric."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from doe.acts.gauges.line import today
from doe.acts.recipe.recipes import find_recipe, nearest_to, parts_of, recipe_on, recipes_to_list
from doe.cli.desk import Desk, command, group
from doe.cli.output import Block, Reply, Table, Warn
from doe.cli.release import recipe_table
from doe.domain.errors import InputError
from doe.domain.texts import quoted
from doe.words import typed
from doe.words.cautions import FOOTER
from doe.words.recipe import (
    SIMILAR,
    both,
    changes_between,
    confirmation_sentence,
    difference_words,
    expected_sentence,
    recipe_cautions,
    span,
    state_words,
)
from doe.words.wording import count, day_of, held
from reports.files import write_whole
from reports.recipe.card import recipe_card

if TYPE_CHECKING:
    from doe.acts.recipe.recipes import Nearest, OnLine
    from doe.book import KeptRecipe
    from doe.domain.units import Shown

app = group("recipe", "Recipes: released settings, revision by revision, with what they rest on.")

NAME = Annotated[str, typer.Argument(metavar="RECIPE", help="Name of the recipe, or the id on its card.")]
REVISION = Annotated[int | None, typer.Option(help="Which revision; the newest by default.")]


@command(app, "list", example="doe recipe list")
def list_recipes(
    desk: Desk, every: Annotated[bool, typer.Option("--all", help="Show every revision, retired ones too.")] = False
) -> Reply:
    """List the recipes in force, those due for review first."""
    day = today()
    with desk.look() as book:
        kept = recipes_to_list(book, every=every)
    if not kept:
        what = "No recipe is in the book yet." if every else "No recipe is in force."
        return Reply({"recipes": []}, (what,), ("doe release --help",))
    due = sum(k.in_force and k.recipe.is_due(day) for k in kept)
    rows = [
        (
            k.recipe.name,
            str(k.recipe.revision),
            k.recipe.stack.name,
            k.recipe.line.name,
            day_of(k.recipe.approved_at),
            state_words(k.recipe, superseded=k.superseded, retired_why=k.retired_why, on=day),
        )
        for k in kept
    ]
    table = Table(("recipe", "rev.", "stack", "line", "approved", "state"), rows, right=("rev.",))
    head = count(len(kept), "revision") if every else f"{count(len(kept), 'recipe')} in force"
    said = f"{head}; {count(due, 'recipe')} due for review." if due else f"{head}; none is due for review."
    data = [{**_data(k), "due": k.in_force and k.recipe.is_due(day)} for k in kept]
    return Reply({"recipes": data}, (said, table), (f"doe recipe show {quoted(kept[0].recipe.name)}",))


@command(app, "show", example='doe recipe show "heavy tee"')
def show(desk: Desk, recipe: NAME, revision: REVISION = None) -> Reply:
    """Show one revision: settings, handling, what it rests on, what would void it."""
    with desk.look() as book:
        kept = find_recipe(book, recipe, revision)
    found = kept.recipe
    state = state_words(found, superseded=kept.superseded, retired_why=kept.retired_why, on=today())
    constant = [" ".join(held(n, v, desk.shown)) for n, v in found.held.items()]
    blocks: list[Block] = [
        f"Recipe {found.name}, revision {found.revision}: {state}.",
        f"For {found.stack.name} on {found.line.name}.",
        f"  Fabric {found.stack.fabric}, film {found.stack.film}, powder {found.stack.powder}.",
        *(Warn(text) for text in recipe_cautions(found)),
        recipe_table(found, desk.shown),
        "\nHandling:",
        *(f"  {i}. {step}" for i, step in enumerate(found.handling, start=1)),
        *((f"\nHeld constant: {'; '.join(constant)}.",) if constant else ()),
        "",
        confirmation_sentence(found.confirmation, found.exception),
        expected_sentence(found),
        f"Approved by {found.approved_by}, {day_of(found.approved_at)}. Study: {found.study}.",
        *((f"Why this revision: {found.why}",) if found.why else ()),
        "\nVoid after:",
        *(f"  - {text}" for text in found.voids),
        "",
        FOOTER,
    ]
    name = quoted(found.name)
    return Reply(_data(kept), blocks, (f"doe recipe card {name} -o card.html", f"doe recipe history {name}"))


@command(app, "card", example='doe recipe card "heavy tee" -o card.html')
def card(
    desk: Desk,
    recipe: NAME,
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


@command(app, "history", example='doe recipe history "heavy tee"')
def history(desk: Desk, recipe: NAME) -> Reply:
    """Show every revision of a recipe and what changed between them."""
    with desk.look() as book:
        kept = book.recipes(find_recipe(book, recipe).recipe.name)
    day = today()
    blocks: list[Block] = [f"Recipe {kept[0].recipe.name}: {count(len(kept), 'revision')}."]
    data = []
    for before, one in zip((None, *kept), kept, strict=False):
        found = one.recipe
        changes = () if before is None else changes_between(before.recipe, found, desk.shown)
        state = state_words(found, superseded=one.superseded, retired_why=one.retired_why, on=day)
        blocks.append(
            f"\nRevision {found.revision}, approved by {found.approved_by}, {day_of(found.approved_at)}; {state}."
        )
        blocks += [f"Why: {found.why}"] if found.why else []
        if before is not None and not changes:
            blocks.append("Nothing in it differs from the revision before.")
        if changes:
            blocks.append(Table(("what", "before", "now"), [(c.what, c.before, c.after) for c in changes]))
        data.append({**_data(one), "changes": changes})
    return Reply(
        {"recipe": kept[0].recipe.name, "revisions": data},
        blocks,
        (f"doe report --recipe {quoted(kept[0].recipe.name)} -o why.html",),
    )


@command(app, "retire", example='doe recipe retire "heavy tee" --why "the powder is no longer made"')
def retire(desk: Desk, recipe: NAME, why: Annotated[str, typer.Option(help="Why it is not used any more.")]) -> Reply:
    """Take a recipe out of use; every revision stays in the book."""
    with desk.open(create=False) as book:
        name = find_recipe(book, recipe).recipe.name
        book.retire_recipe(name, why)
        kept = book.recipe(name)
    return Reply(
        _data(kept),
        (f"{name} is retired. Take its cards from the wall; it stays in the book.",),
        (f"doe recipe history {quoted(name)}",),
    )


@command(
    app,
    "find",
    example="""
    doe recipe find tee-fine
    doe recipe find --fabric "heavy tee; supplier=Orr"
""",
)
def find(
    desk: Desk,
    stack: Annotated[str | None, typer.Argument(help="A stack of the book.")] = None,
    fabric: Annotated[str | None, typer.Option(help='As "name; supplier=...; lot=...".')] = None,
    film: Annotated[str | None, typer.Option(help='As "name; supplier=...; lot=...".')] = None,
    powder: Annotated[str | None, typer.Option(help='As "name; supplier=...; lot=...".')] = None,
) -> Reply:
    """Find the recipe whose materials are nearest, and see what differs."""
    given: dict[Any, Any] = {
        part: typed.material(text, f"--{part}")
        for part, text in (("fabric", fabric), ("film", film), ("powder", powder))
        if text is not None
    }
    if (stack is None) == (not given):
        raise InputError(
            "doe recipe find",
            "a stack and materials" if stack else "nothing to look for",
            "a stack of the book, or --fabric, --film, --powder",
            "Give one or the other.",
        )
    with desk.look() as book:
        if stack is not None:
            given = dict(parts_of(book.stack(stack)))
        found = nearest_to(book, given)
    if not found:
        return Reply({"recipes": []}, ("No recipe is in force.",), ("doe release --help",))
    rows = [
        (n.kept.recipe.name, str(n.kept.recipe.revision), n.kept.recipe.line.name, difference_words(n.differences))
        for n in found[:5]
    ]
    return Reply(
        {"recipes": [{**_data(n.kept), "same": n.same, "differences": n.differences} for n in found]},
        (_nearest_line(found), SIMILAR, Table(("recipe", "rev.", "line", "what differs"), rows, right=("rev.",))),
        (f"doe recipe show {quoted(found[0].kept.recipe.name)}",),
    )


def _nearest_line(found: tuple[Nearest, ...]) -> str:
    first = found[0].kept.recipe
    if found[0].same:
        return f"{first.name}, revision {first.revision}, is for the same materials, to the lot, as far as asked."
    return f"The nearest of {count(len(found), 'recipe')} in force is {first.name}; it is not for the same materials."


@command(app, "on", example='doe recipe on "heavy tee" back-room')
def on(
    desk: Desk,
    recipe: NAME,
    line: Annotated[str, typer.Argument(help="The line, from doe line list.")],
    revision: REVISION = None,
) -> Reply:
    """Express a recipe for a line through its gauges, and say what is not known there."""
    with desk.look() as book:
        moved = recipe_on(book, find_recipe(book, recipe, revision), line, on=today(), shown=desk.shown)
    return Reply(
        {
            "recipe": moved.kept.recipe.name,
            "revision": moved.kept.recipe.revision,
            "line": moved.line.name,
            "own_line": moved.is_own,
            "settings": moved.settings,
            "unknown": moved.unknown,
            "cautions": moved.cautions,
        },
        on_blocks(moved, desk.shown),
        (f"doe gauge list {quoted(moved.line.name)}",),
    )


def on_blocks(moved: OnLine, shown: Shown) -> list[Block]:
    """A recipe on a line for a person: settings as that line shows them, then what is not known."""
    recipe = moved.kept.recipe
    rows = []
    for each in moved.settings:
        s = each.setting
        dial = "" if each.dial is None else both(s, each.dial.degc, shown)
        window = (
            "" if each.dial_low is None or each.dial_high is None else span(s, each.dial_low, each.dial_high, shown)
        )
        rows.append((s.label, both(s, s.surface, shown), dial, window))
    first = (
        f"{recipe.name}, revision {recipe.revision}, on its own line {moved.line.name}, by today's gauge readings."
        if moved.is_own
        else f"{recipe.name}, revision {recipe.revision}, re-expressed for {moved.line.name}. It is not released there."
    )
    heads = ("setting", "surface", "dial here", "window on this dial")
    unknown = ["\nWhat is not known here:", *(f"  - {text}" for text in moved.unknown)] if moved.unknown else []
    return [first, Table(heads, rows), *unknown, *(Warn(text) for text in moved.cautions), "", FOOTER]


def _data(kept: KeptRecipe) -> dict[str, object]:
    """A revision for ``--json``."""
    return {
        "id": kept.id,
        "uid": kept.uid,
        "recipe": kept.recipe,
        "study_id": kept.study_id,
        "in_force": kept.in_force,
        "superseded": kept.superseded,
        "retired_why": kept.retired_why,
        "retired_by": kept.retired_by,
    }


def register(root: typer.Typer) -> None:
    """Add the group to the command tree."""
    root.add_typer(app)
