"""Recipes of the book: which are in force, and which suits a stack."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from doe.book.records import KeptRecipe
from doe.domain.recipe import PARTS, Part, StackDifference, nearest_recipes
from doe.domain.stack import Material, Stack

if TYPE_CHECKING:
    from doe.book.book import Book

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


@dataclass(frozen=True)
class Nearest:
    """A recipe in force, what differs from the stack asked about, and whether nothing does."""

    kept: KeptRecipe
    differences: tuple[StackDifference, ...]

    @property
    def same(self) -> bool:
        """Whether every part compared is the same, to the lot."""
        return all(d.kind == "same" for d in self.differences)


def nearest_to(book: Book, parts: Mapping[Part, Material]) -> tuple[Nearest, ...]:
    """Recipes in force for materials, the most similar first; only the parts that are given are compared."""
    kept = {(k.recipe.name, k.recipe.revision): k for k in book.recipes()}
    filler = Material("not asked about")
    stack = Stack(
        "asked about",
        parts.get("fabric", filler),
        parts.get("film", filler),
        parts.get("powder", filler),
        parts.get("ink"),
    )
    asked = tuple(p for p in PARTS if p in parts)
    found = nearest_recipes(stack, [k.recipe for k in kept.values()], parts=asked)
    return tuple(Nearest(kept[(recipe.name, recipe.revision)], differences) for recipe, differences in found)


def parts_of(stack: Stack) -> dict[Part, Material]:
    """The parts that a stack names."""
    return {part: getattr(stack, part) for part in PARTS if getattr(stack, part) is not None}
