"""`doe recipe on` and `doe recipe card`: a recipe on a line, through its gauges, and its card for the press."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from doe.acts.base import today
from doe.acts.conditions import certificate_cautions
from doe.acts.recipe.on_line import OTHER_BELT, LineSetting, OnLine, recipe_on
from doe.acts.recipe.recipes import find_recipe
from doe.acts.study.standing import standing_of_recipe
from doe.cli.desk import Block, Desk, Reply, Table, Warn, command
from doe.domain.errors import quoted
from doe.domain.units import Shown, fixed
from doe.words.cautions import FOOTER
from doe.words.gauges.cautions import caution_words
from doe.words.recipe.card import both, setting_amount, span_here, unknown_words
from doe.words.wording import seconds_words
from reports.files import write_whole
from reports.recipe.card import recipe_card


@command("recipe on")
def on(desk: Desk, recipe: str, line: str, revision: int | None = None) -> Reply:
    """Express a recipe for a line through its gauges, and say what is not known there."""
    with desk.look() as book:
        moved = recipe_on(book, find_recipe(book, recipe, revision), line, on=today(), shown=desk.shown)
    return Reply(
        {
            "recipe": moved.kept.recipe.name,
            "revision": moved.kept.recipe.revision,
            "line": moved.line.name,
            "own_line": moved.is_own,
            "settings": [{**vars(each), "seconds": each.seconds} for each in moved.settings],
            "unknown": unknown_words(moved.unknown, moved.kept.recipe, desk.shown),
            "cautions": caution_words(moved.cautions, shown=desk.shown),
            "facts": {"unknown": moved.unknown, "cautions": moved.cautions},
        },
        on_blocks(moved, desk.shown),
        (f"doe gauge show {quoted(moved.line.name)}", *_proof_there(moved)),
    )


def _proof_there(moved: OnLine) -> tuple[str, ...]:
    """The command that begins the proof of a recipe on another line than its own."""
    recipe, there = moved.kept.recipe.name, moved.line.name
    name = quoted(f"{recipe} on {there}")
    told = f"doe study known {name} --from-recipe {quoted(recipe)} --line {quoted(there)}"
    belt = next((each for each in moved.settings if each.other_belt and each.speed_there is None), None)
    if belt is not None:  # lengths that nobody but their owner can say
        told += ' --heated "LENGTH from LENGTH"' if belt.seconds is None else " --heated LENGTH"
    return () if moved.is_own else (told,)


def on_blocks(moved: OnLine, shown: Shown) -> list[Block]:
    """A recipe on a line for a person: settings as that line shows them, then what is not known."""
    recipe = moved.kept.recipe
    rows = []
    for each in moved.settings:
        s = each.setting
        if each.other_belt:
            rows.append((s.label, *_belt_cells(each, recipe.line.name, shown)))
            continue
        ends = (each.dial_low, each.dial_high) if s.unit == "degC" else (s.window_low, s.window_high)
        window = "held constant" if s.factor in recipe.held else "not known"
        if ends[0] is not None and ends[1] is not None:
            window = span_here(s, ends[0], ends[1], shown)
        surface = "" if each.dial is None and s.unit != "degC" else setting_amount(s, s.surface, shown)
        here = "not known" if each.dial is None and s.unit == "degC" else both(s, s.surface, shown)
        rows.append((s.label, here if each.dial is None else both(s, each.dial.degc, shown), surface, window))
    first = (
        f"{recipe.name}, revision {recipe.revision}, on its own line {moved.line.name}, by today's gauge readings."
        if moved.is_own
        else f"{recipe.name}, revision {recipe.revision}, re-expressed for {moved.line.name}. It is not released there."
    )
    of_belts = [fact for fact in moved.unknown if fact.code in OTHER_BELT]  # never left to --more: a number to dial in
    rest = [fact for fact in moved.unknown if fact.code not in OTHER_BELT]
    belts, missing = (unknown_words(facts, recipe, shown) for facts in (of_belts, rest))
    return [
        first,
        Table(("setting", "dial in here", "surface", "window on the dial"), rows),
        *(Warn(f"Not known here: {text}") for text in belts),
        *(Warn(text) for text in caution_words(moved.cautions, shown=shown)),
        Warn(FOOTER),
        *([f"What is not known here:\n  - {missing[0]}", *(f"  - {text}" for text in missing[1:])] if missing else []),
    ]


def _belt_cells(each: LineSetting, own_line: str, shown: Shown) -> tuple[str, str, str]:
    """Of a belt whose length is not known here: the time to keep, not the speed of the other belt."""
    s = each.setting
    if each.speed_there is not None:
        there = replace(s, heated_mm=each.there_mm)
        return both(there, each.speed_there, shown), "", "not known"
    if each.seconds is None:
        return "not known", f"{setting_amount(s, s.surface, shown)} on {own_line}", "not known"
    ends = [end for end in (s.window_low, s.window_high) if end is not None]
    return f"{fixed(each.seconds)} s in the heat", "", seconds_words(s.heated_mm, *ends) if ends else "not known"


@command("recipe card")
def card(desk: Desk, recipe: str, output: Path = Path("card.html"), revision: int | None = None) -> Reply:
    """Write the card for the press: one page of A4 or Letter."""
    with desk.look() as book:
        kept = find_recipe(book, recipe, revision)
        known = standing_of_recipe(book, kept)
        expired = caution_words(certificate_cautions(book, kept.recipe.line.name, today()))
    path = write_whole(output, recipe_card(kept, today(), desk.shown, known, expired))
    stale = "" if kept.in_force else " It is not in force: the card says so."
    return Reply(
        {"recipe": kept.recipe.name, "revision": kept.recipe.revision, "in_force": kept.in_force, "card": path},
        (f"The card of {kept.recipe.name}, revision {kept.recipe.revision}, is in {path}.{stale}",),
        (f"open {path} in a browser and print it",),
    )
