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


def newest_for(book: Book, study_id: int) -> KeptRecipe | None:
    """The recipe that came from a study: the one to work by, else the last that was retired.

    A newer revision counts wherever it came from; where a study led to several recipes, the one approved last.
    """
    kept = book.recipes()
    names = {k.recipe.name for k in kept if k.study_id == study_id}
    newest = (k for k in kept if k.recipe.name in names and not k.superseded)
    return max(newest, key=lambda k: (k.in_force, k.recipe.approved_at), default=None)


def in_force_for(book: Book, study_id: int) -> KeptRecipe | None:
    """The same while it is in force."""
    found = newest_for(book, study_id)
    return found if found is not None and found.in_force else None
