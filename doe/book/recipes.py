"""Recipes: each revision is a row of its own, and so is its retirement. None is ever changed."""

from __future__ import annotations

from dataclasses import replace

import sqlalchemy as sa

from doe.book.chain import SHOWN
from doe.book.store import Store, called, refuse_without_why
from doe.book.studies import Key, find
from doe.book.tables import acts, recipes, seals
from doe.domain.errors import InputError
from doe.domain.recipe import KeptRecipe, Recipe
from doe.domain.serial import recipe_from

_RELEASE, _RETIRE = "release", "retire"
_EVERY = (
    sa.select(recipes, acts.c.who, acts.c.at, acts.c.why, seals.c.digest)
    .join(acts, recipes.c.act_id == acts.c.id)
    .outerjoin(seals, seals.c.id == acts.c.id)
    .order_by(recipes.c.name, recipes.c.revision)
)
_NAMED = _EVERY.where(recipes.c.name == sa.bindparam("name"))


class Recipes(Store):
    """The part of the book about recipes."""

    def release_recipe(self, recipe: Recipe, *, study: Key | None) -> int:
        """Keep a revision of a recipe and the study behind it; returns its id.

        Raises
        ------
        InputError
            If it is not the revision after the newest, or says that it is retired.
        """
        where, name, revision = f"recipe {recipe.name}", recipe.name.strip(), recipe.revision
        if recipe.retired_at is not None:
            raise InputError(
                where, "a retired recipe", "one to use", "Release it first; retire it when it is replaced."
            )
        with self.writing() as writing:
            newest = writing.connection.scalar(sa.select(sa.func.max(recipes.c.revision)).where(recipes.c.name == name))
            wanted = (newest or 0) + 1
            if revision != wanted:
                found = f"revision {revision}" + (f" after revision {newest}" if newest else " as the first")
                raise InputError(where, found, f"revision {wanted}", "Look at its history, then release again.")
            study_id = None if study is None else find(writing.connection, study).study_id
            act = writing.act(f"release revision {revision}", recipe.name, study_id=study_id, why=recipe.why)
            row = {"name": name, "revision": revision, "event": _RELEASE, "study_id": study_id, "data": recipe}
            return writing.add(recipes, row, act)

    def retire_recipe(self, name: str, why: str) -> None:
        """Take the newest revision of a recipe out of use; it stays in the book.

        Raises
        ------
        InputError
            If there is no such recipe, it is retired already, or there is no why.
        """
        with self.writing() as writing:
            kept = self.recipe(name)
            name, revision = kept.recipe.name, kept.recipe.revision
            where = f"recipe {name}"
            if kept.retired_why:
                raise InputError(where, "a retired recipe", "one in use", f"It was retired: {kept.retired_why}")
            refuse_without_why(where, why, "Say why it is not used any more.")
            row = {"name": name, "revision": revision, "event": _RETIRE, "study_id": kept.study_id, "data": {}}
            writing.add(recipes, row, writing.act(f"retire revision {revision}", name, why=why))

    def recipes(self, name: str | None = None) -> tuple[KeptRecipe, ...]:
        """Every revision of every recipe, by name and revision; only those of one name if it is given."""
        return self.kept(("recipes", name), ("rest",), lambda connection: _recipes(connection, name))

    def recipe(self, name: str, revision: int | None = None) -> KeptRecipe:
        """One revision of a recipe, the newest by default.

        Raises
        ------
        InputError
            If there is no such recipe or revision; it lists what there is.
        """
        kept = self.recipes(name)
        known = [] if kept else sorted({other.recipe.name.strip() for other in self.recipes()})
        meant = None if kept else called("recipe", name, known)
        if meant is not None:
            kept = self.recipes(meant)
        if not kept:
            raise InputError(
                "recipe",
                repr(name),
                ", ".join(known[:10]) or "a released recipe (there is none yet)",
                "Check the name, or release one.",
            )
        for one in kept:
            if one.recipe.revision == revision:
                return one
        if revision is not None:
            raise InputError(f"recipe {name}, revision", revision, f"1 to {len(kept)}", "Look at its history.")
        return kept[-1]


def _recipes(connection: sa.Connection, name: str | None) -> tuple[KeptRecipe, ...]:
    rows = connection.execute(*((_EVERY, {}) if name is None else (_NAMED, {"name": name.strip()}))).all()
    retired = {(row.name, row.revision): row for row in rows if row.event == _RETIRE}
    newest = {row.name: row.revision for row in rows}
    kept = []
    for row in rows:
        if row.event == _RETIRE:
            continue
        recipe, gone = recipe_from(row.data), retired.get((row.name, row.revision))
        kept.append(
            KeptRecipe(
                id=row.id,
                uid=row.uid,
                recipe=recipe if gone is None else replace(recipe, retired_at=gone.at),
                study_id=row.study_id,
                who=row.who,
                at=row.at,
                retired_why="" if gone is None else gone.why,
                retired_by="" if gone is None else gone.who,
                superseded=row.revision < newest[row.name],
                seal=(row.digest or "")[:SHOWN],
            )
        )
    return tuple(kept)
