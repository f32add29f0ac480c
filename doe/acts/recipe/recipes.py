"""Recipes of the book: which are in force."""

from __future__ import annotations

from doe.book.book import Book
from doe.domain.recipe import KeptRecipe

UID_LENGTH = 32


def find_recipe(book: Book, words: str, revision: int | None = None) -> KeptRecipe:
    """A recipe by its name, or one revision by the id on its card.

    Raises
    ------
    InputError
        If there is none; it lists what there is.
    """
    plain = words.strip().lower()
    if revision is None and len(plain) == UID_LENGTH:
        for kept in book.recipes():
            if kept.uid == plain:
                return kept
    return book.recipe(words, revision)


def recipes_to_list(book: Book, *, every: bool = False) -> tuple[KeptRecipe, ...]:
    """Recipes in force, those due for review first; with ``every`` all revisions, by name."""
    kept = book.recipes()
    if every:
        return kept
    return tuple(sorted((k for k in kept if k.in_force), key=lambda k: (k.recipe.review_on, k.recipe.name)))


def in_force_for(book: Book, study_id: int) -> KeptRecipe | None:
    """The recipe to work by that came from a study; a newer revision counts wherever it came from.

    Where a study led to several recipes, the one that was approved last; None while none is in force.
    """
    kept = book.recipes()
    names = {k.recipe.name for k in kept if k.study_id == study_id}
    found = [k for k in kept if k.in_force and k.recipe.name in names]
    return max(found, key=lambda k: k.recipe.approved_at) if found else None
