"""Adding a material to a recipe that was shown to hold for it: a comparison that came out as such, as a revision."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from doe.acts.base import Key, version
from doe.acts.comparison.verdict import keep_verdict, weigh_comparison
from doe.acts.recipe.release import RELEASE, kept_figures
from doe.acts.study.standing import breaks, standing_of_recipe
from doe.book.book import Book
from doe.domain.errors import InputError, quoted
from doe.domain.recipe import AlsoFor, KeptRecipe, Recipe
from doe.words.recipe.card import also_why
from doe.words.study.standing import headline


def add_material(book: Book, key: Key, *, approved_by: str, why: str = "", now: datetime) -> KeptRecipe:
    """Release the next revision of a recipe, which says that it is for the material of a comparison too.

    Parameters
    ----------
    book : Book
    key : str or int
        The comparison; its verdict is *same recipe holds*, or of a staged one *go on carefully*, by what is scored now.
    approved_by : str
    why : str
        For the record; by default that the comparison came out so.
    now : datetime
        With its zone: the moment of approval.

    Raises
    ------
    InputError
        If the comparison says anything else, or the recipe is not in force, in doubt, due for review, or has other
        settings by now.
    """
    found = weigh_comparison(book, key)
    plan, record = found.plan, found.record
    if found.comparison.verdict not in ("same recipe holds", "go on carefully"):
        raise InputError(
            f"comparison {record.name}",
            found.comparison.verdict,
            "the verdict: same recipe holds, or in stages: go on carefully",
            f"See what is missing: doe compare {quoted(record.name)}",
        )
    kept = book.recipe(plan.recipe)
    _refuse_unfit(book, kept, plan.revision, now)
    limits = record.study.limits
    beyond = [s.label for s in kept.recipe.settings if limits is not None and breaks(s, limits)]
    if beyond:
        raise InputError(
            f"recipe {kept.recipe.name}",
            f"{', '.join(beyond)} beyond a limit of {record.name}",
            "settings that the new material takes",
            f"Retune it: doe compare {quoted(record.name)} --retune",
        )
    hides = None if found.comparison.staged is None else found.comparison.staged.hides
    recipe, sure = kept.recipe, None if hides is None else plan.assurance
    also = AlsoFor(record.stack, record.name, found.hash, now, hides, sure)
    if any(there.comparison == record.name for there in recipe.also or ()):
        raise InputError(
            f"recipe {recipe.name}",
            f"revision {recipe.revision} is for the material of {record.name} already",
            "a comparison whose material it does not name yet",
            f"Print its card: doe recipe card {quoted(recipe.name)} -o card.html",
        )
    made = replace(
        recipe,
        revision=recipe.revision + 1,
        also=(*(recipe.also or ()), also),
        approved_by=approved_by.strip(),
        approved_at=now,
        why=why.strip() or also_why(recipe, also),
    )
    with book.writing():  # a verdict, a revision and the figures behind it, all or none
        keep_verdict(book, found)
        _keep_figures(book, kept, made)
        book.release_recipe(made, study=kept.study_id)
    return book.recipe(made.name)


def _refuse_unfit(book: Book, kept: KeptRecipe, compared: int, now: datetime) -> None:
    """Refuse a recipe that nobody should work by, or whose settings are not those that were compared."""
    recipe, where = kept.recipe, f"recipe {kept.recipe.name}, revision {kept.recipe.revision}"
    known = standing_of_recipe(book, kept)
    if known.state != "released":
        raise InputError(where, headline(known), "a recipe in force and in no doubt", "Put that right first.")
    if recipe.is_due(now.date()):
        raise InputError(where, f"review due on {recipe.review_on}", "one whose review is to come", "Review it first.")
    before = book.recipe(recipe.name, compared).recipe
    if _at_machines(recipe) != _at_machines(before):
        raise InputError(
            where,
            f"other settings or handling than revision {compared}, which was compared",
            "the settings that were compared",
            "Compare the material with the revision in force.",
        )


def _at_machines(recipe: Recipe) -> tuple[object, ...]:
    """What is done by a recipe, whoever approved it."""
    return recipe.settings, dict(recipe.held), recipe.handling, recipe.line


def _keep_figures(book: Book, kept: KeptRecipe, made: Recipe) -> None:
    """What stood beside the revision before stands beside this one: the settings are the same."""
    figures = None if kept.study_id is None else kept_figures(book, kept.study_id, kept.recipe)
    if figures is not None and kept.study_id is not None:
        payload = {**figures.payload, "revision": made.revision}
        book.save_analysis(
            kept.study_id,
            kind=RELEASE,
            inputs_hash=figures.inputs_hash,
            seed=figures.seed,
            version=version(),
            payload=payload,
        )
