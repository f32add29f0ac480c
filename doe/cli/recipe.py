"""`doe recipe`: the recipes in force, their cards, their history, and which one suits a fabric."""

from __future__ import annotations

from collections.abc import Iterable

from doe.acts.base import today
from doe.acts.recipe.recipes import find_recipe, recipes_to_list
from doe.acts.study.standing import standing_of_recipe
from doe.cli.desk import Block, Desk, Reply, Table, Warn, command
from doe.cli.study_words import standing_data, step_command
from doe.domain.errors import InputError, quoted
from doe.domain.recipe import PARTS, KeptRecipe, Nearest, Part, Recipe, RecipeSetting, nearest_recipes, parts_of
from doe.domain.units import Shown
from doe.words import typed
from doe.words.cautions import EQUAL, FOOTER, NOT_CHECKED
from doe.words.recipe.card import (
    SIMILAR,
    also_sentences,
    both,
    changes_between,
    confirmation_sentence,
    difference_words,
    expected_sentence,
    recipe_cautions,
    set_window,
    setting_amount,
    span_here,
    state_words,
)
from doe.words.study.standing import headline, meaning
from doe.words.wording import count, day, held


@command("recipe list")
def list_recipes(desk: Desk, every: bool = False) -> Reply:
    """List the recipes in force, those due for review first."""
    now = today()
    with desk.look() as book:
        kept = recipes_to_list(book, every=every)
        known = [standing_of_recipe(book, k) for k in kept]
    if not kept:
        what = "No recipe is in the book yet." if every else "No recipe is in force."
        return Reply({"recipes": []}, (what,), ("doe release --help",))
    due = [k.in_force and k.recipe.is_due(now) for k in kept]
    rows = [
        (
            k.recipe.name,
            str(k.recipe.revision),
            k.recipe.stack.name,
            k.recipe.line.name,
            day(k.recipe.approved_at),
            headline(doubt, desk.shown) if doubt.state == "doubtful" else state_words(k, now),
        )
        for k, doubt in zip(kept, known, strict=True)
    ]
    table = Table(("recipe", "rev.", "stack", "line", "approved", "state"), rows, right=("rev.",), is_list=True)
    head = count(len(kept), "revision") if every else f"{count(len(kept), 'recipe')} in force"
    doubted = sum(doubt.state == "doubtful" for doubt in known)
    head += f", {doubted} of them in doubt" if doubted else ""
    said = f"{head}; {count(sum(due), 'recipe')} due for review." if any(due) else f"{head}; none is due for review."
    data = [{**_data(k), "due": is_due} for k, is_due in zip(kept, due, strict=True)]
    return Reply({"recipes": data}, (said, table), (f"doe recipe show {quoted(kept[0].recipe.name)}",))


@command("recipe show")
def show(desk: Desk, recipe: str, revision: int | None = None) -> Reply:
    """Show one revision: settings, handling, what it rests on, what would void it."""
    with desk.look() as book:
        kept = find_recipe(book, recipe, revision)
        known = standing_of_recipe(book, kept)
        first = ""
        if kept.study_id is not None:
            first = step_command(book.study(kept.study_id).study, known.steps[0])
    found = kept.recipe
    constant = [" ".join(held(n, v, desk.shown)) for n, v in found.held.items()]
    blocks: list[Block] = [
        f"{headline(known, desk.shown)}. {meaning(known, desk.shown)}",
        # a recipe in doubt is not called in force in the next line
        f"Recipe {found.name}, revision {found.revision}"
        + ("." if known.state == "doubtful" else f": {state_words(kept, today())}."),
        *settings_blocks(found, desk.shown),
        *(f"Also for {text}." for text in also_sentences(found)),
        *(Warn(text) for text in recipe_cautions(found)),
        Warn(FOOTER),
        *((f"Held constant: {'; '.join(constant)}.",) if constant else ()),
        "Handling:",
        *(f"  {i}. {step}" for i, step in enumerate(found.handling, start=1)),
    ]
    rest: list[Block] = [
        f"\nFor {found.stack.name} on {found.line.name}.",
        f"  Fabric {found.stack.fabric}, film {found.stack.film}, powder {found.stack.powder}.",
        "",
        confirmation_sentence(found.confirmation, found.exception),
        expected_sentence(found),
        f"Approved by {found.approved_by}, {day(found.approved_at)}. Study: {found.study}.",
        *((f"Why this revision: {found.why}",) if found.why else ()),
        "\nVoid after:",
        *(f"  - {text}" for text in found.voids),
    ]
    name = quoted(found.name)
    data = {**_data(kept), "standing": standing_data(known, desk.shown)}
    following = (first or f"doe recipe card {name} -o card.html", f"doe recipe history {name}")
    return Reply(data, blocks, following, more=rest)


@command("recipe history")
def history(desk: Desk, recipe: str) -> Reply:
    """Show every revision of a recipe and what changed between them."""
    with desk.look() as book:
        kept = book.recipes(find_recipe(book, recipe).recipe.name)
        newest = standing_of_recipe(book, kept[-1])
    now = today()
    blocks: list[Block] = [f"Recipe {kept[0].recipe.name}: {count(len(kept), 'revision')}."]
    data = []
    for before, one in zip((None, *kept), kept, strict=False):
        found = one.recipe
        changes = () if before is None else changes_between(before.recipe, found, desk.shown)
        blocks.append(
            f"\nRevision {found.revision}, approved by {found.approved_by}, {day(found.approved_at)}; "
            f"{state_words(one, now, newest)}."
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


@command("recipe retire")
def retire(desk: Desk, recipe: str, why: str) -> Reply:
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


@command("recipe find")
def find(
    desk: Desk,
    stack: str | None = None,
    fabric: str | None = None,
    film: str | None = None,
    powder: str | None = None,
    ink: str | None = None,
) -> Reply:
    """Find the recipe whose materials are nearest, and see what differs."""
    told: dict[Part, str] = {
        part: text for part, text in zip(PARTS, (fabric, film, powder, ink), strict=True) if text is not None
    }
    if (stack is None) == (not told):
        raise InputError(
            "doe recipe find",
            "a stack and materials" if stack else "nothing to look for",
            "a stack of the book, or --fabric, --film, --powder, --ink",
            "Give one or the other.",
        )
    with desk.look() as book:
        recipes = book.recipes()
        if stack is not None:
            given = parts_of(book.stack(stack))
        else:
            given = {
                part: typed.material_asked(text, part, _names(recipes, part), desk.shown) for part, text in told.items()
            }
        found = nearest_recipes(given, recipes)
        known = [standing_of_recipe(book, n.kept) for n in found[:5]]
    if not found:
        return Reply({"recipes": []}, ("No recipe is in force.",), ("doe release --help",))
    rows = [
        (n.kept.recipe.name, str(n.kept.recipe.revision), n.kept.recipe.line.name, difference_words(n.differences))
        for n in found[:5]
    ]
    doubts = [
        Warn(f"{n.kept.recipe.name}: {headline(doubt, desk.shown)}. {meaning(doubt, desk.shown)}")
        for n, doubt in zip(found, known, strict=False)
        if doubt.state == "doubtful"
    ]
    return Reply(
        {"recipes": [{**_data(n.kept), "same": n.same, "differences": n.differences} for n in found]},
        (
            _nearest_line(found),
            *doubts,
            SIMILAR,
            Table(("recipe", "rev.", "line", "what differs"), rows, right=("rev.",)),
        ),
        (f"doe recipe show {quoted(found[0].kept.recipe.name)}",),
    )


def _names(recipes: Iterable[KeptRecipe], part: Part) -> list[str]:
    """What a part is called in recipes in force."""
    made = (getattr(stack, part) for kept in recipes if kept.in_force for stack in kept.recipe.stacks)
    return [material.name for material in made if material is not None]


def _nearest_line(found: tuple[Nearest, ...]) -> str:
    first = found[0].kept.recipe
    if found[0].same:
        return f"{first.name}, revision {first.revision}, is for the same materials, to the lot, as far as asked."
    return f"The nearest of {count(len(found), 'recipe')} in force is {first.name}; it is not for the same materials."


def _data(kept: KeptRecipe) -> dict[str, object]:
    """A revision for ``--json``."""
    return {**vars(kept), "in_force": kept.in_force}


def settings_blocks(recipe: Recipe, shown: Shown) -> list[Block]:
    """Settings of a recipe: what to dial in, the surface behind it, and the window of what is dialled in."""
    rows = []
    for s in recipe.settings:
        window = "held constant" if s.factor in recipe.held else set_window(s, shown, span_here)
        rows.append((s.label, both(s, s.surface if s.dial is None else s.dial, shown), behind(s, shown), window))
    table = Table(("setting", "dial in", "surface", "window on the dial"), rows)
    return [table, *([f"{EQUAL}: {NOT_CHECKED}."] if EQUAL in (row[2] for row in rows) else [])]


def behind(setting: RecipeSetting, shown: Shown) -> str:
    """The surface behind a dial value; that it is taken for the dial; empty for what has no display."""
    if setting.dial is not None:
        return setting_amount(setting, setting.surface, shown)
    return EQUAL if setting.unit == "degC" else ""
