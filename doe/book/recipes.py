"""Recipes: each revision is a row of its own, and so is its retirement. None is ever changed."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from uuid import uuid4

import sqlalchemy as sa

from doe.book.store import Writing, new_id
from doe.book.studies import Key, find
from doe.book.tables import acts, recipes
from doe.book.text import from_text, moment_of, to_text
from doe.domain.errors import InputError
from doe.domain.recipe import KeptRecipe, Recipe
from doe.domain.serial import recipe_from

_RELEASE, _RETIRE = "release", "retire"


def release(writing: Writing, recipe: Recipe, study: Key | None) -> int:
    """Keep a revision; returns its id.

    Raises
    ------
    InputError
        If it is not the revision after the newest, or says that it is retired.
    """
    where = f"recipe {recipe.name}"
    if recipe.retired_at is not None:
        raise InputError(where, "a retired recipe", "one to use", "Release it first; retire it when it is replaced.")
    newest = writing.connection.scalar(
        sa.select(sa.func.max(recipes.c.revision)).where(recipes.c.name == recipe.name.strip())
    )
    if recipe.revision != (newest or 0) + 1:
        found = f"revision {recipe.revision}" + (f" after revision {newest}" if newest else " as the first")
        raise InputError(where, found, f"revision {(newest or 0) + 1}", "Look at its history, then release again.")
    study_id = None if study is None else find(writing.connection, study).study_id
    act = writing.act(f"release revision {recipe.revision}", recipe.name, rows=1, study_id=study_id, why=recipe.why)
    return new_id(
        writing.connection,
        recipes.insert().values(
            uid=uuid4().hex,
            name=recipe.name.strip(),
            revision=recipe.revision,
            event=_RELEASE,
            study_id=study_id,
            data=to_text(recipe),
            act_id=act,
        ),
    )


def retire(writing: Writing, name: str, why: str) -> None:
    """Take the newest revision of a recipe out of use; it stays in the book.

    Raises
    ------
    InputError
        If there is no such recipe, it is retired already, or there is no why.
    """
    kept = find_recipe(writing.connection, name)
    where = f"recipe {kept.recipe.name}"
    if kept.retired_why:
        raise InputError(where, "a retired recipe", "one in use", f"It was retired: {kept.retired_why}")
    if not why.strip():
        raise InputError(where, "no reason", "a reason", "Say why it is not used any more.")
    act = writing.act(f"retire revision {kept.recipe.revision}", kept.recipe.name, rows=1, why=why)
    writing.connection.execute(
        recipes.insert().values(
            uid=uuid4().hex,
            name=kept.recipe.name,
            revision=kept.recipe.revision,
            event=_RETIRE,
            study_id=kept.study_id,
            data=to_text({}),
            act_id=act,
        )
    )


def all_of(connection: sa.Connection, name: str | None = None) -> tuple[KeptRecipe, ...]:
    """Every revision, by name and revision; only those of one name if it is given."""
    query = (
        sa.select(recipes, acts.c.who, acts.c.at, acts.c.why)
        .join(acts, recipes.c.act_id == acts.c.id)
        .order_by(recipes.c.name, recipes.c.revision)
    )
    if name is not None:
        query = query.where(recipes.c.name == name.strip())
    rows = connection.execute(query).all()
    retired = {(row.name, row.revision): row for row in rows if row.event == _RETIRE}
    newest = {row.name: row.revision for row in rows}
    return tuple(
        _kept(row, retired.get((row.name, row.revision)), superseded=row.revision < newest[row.name])
        for row in rows
        if row.event == _RELEASE
    )


def find_recipe(connection: sa.Connection, name: str, revision: int | None = None) -> KeptRecipe:
    """One revision of a recipe, the newest by default.

    Raises
    ------
    InputError
        If there is no such recipe or revision; it lists what there is.
    """
    kept = all_of(connection, name)
    if not kept:
        known = sorted(set(connection.scalars(sa.select(recipes.c.name))))
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


def _kept(row: sa.Row[Any], gone: sa.Row[Any] | None, *, superseded: bool) -> KeptRecipe:
    recipe = recipe_from(from_text(row.data))
    if gone is not None:
        recipe = replace(recipe, retired_at=moment_of(gone.at))
    return KeptRecipe(
        id=row.id,
        uid=row.uid,
        recipe=recipe,
        study_id=row.study_id,
        who=row.who,
        at=moment_of(row.at),
        retired_why="" if gone is None else gone.why,
        retired_by="" if gone is None else gone.who,
        superseded=superseded,
    )
