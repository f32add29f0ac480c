"""Settings that are known (a maker's sheet, a second press, an old habit): kept to be confirmed without a search."""

from __future__ import annotations

from dataclasses import replace

from doe.acts.gauges.line import suggested_errors
from doe.acts.recipe.recipes import find_recipe
from doe.acts.study.change import limits_elsewhere
from doe.acts.study.limits import refuse_held
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.domain.errors import InputError
from doe.domain.factors import Factor
from doe.domain.recipe import KeptRecipe
from doe.domain.stack import Line, Stack
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.words.study.typed import KnownOptions, KnownSettings, known_study, source_words


def keep_known(book: Book, wanted: KnownOptions, shown: Shown) -> StudyRecord:
    """Store settings that are known, as a study that is confirmed and never fitted.

    Raises
    ------
    InputError
        If something is missing or cannot be read, a setting breaks a limit, or the recipe is one of the same line.
    """
    kept = _to_carry(book, wanted.from_recipe) if wanted.from_recipe else None
    stack, line = wanted.stack or (kept.recipe.stack.name if kept else ""), wanted.line
    known = None
    if kept is not None and line:
        known = _carried(book, kept, book.stack(stack), book.line(line))
    study = known_study(replace(wanted, stack=stack), shown, known, book.stack(stack) if stack else None)
    refuse_held(study)
    number = book.add_study(_with_measured_errors(book, study, line), stack=stack, line=line)
    return book.study(number)


def _with_measured_errors(book: Book, study: Study, line: str) -> Study:
    """The study with the setting errors that the gauge readings of its line tell."""
    found = suggested_errors(book, line)

    def measured(f: Factor) -> Factor:
        one = found.get(f.name)
        return replace(f, setting_sd=one.sd) if one is not None and one.is_measured else f

    return replace(study, factors=tuple(map(measured, study.factors)))


def _to_carry(book: Book, name: str) -> KeptRecipe:
    kept = find_recipe(book, name)
    if not kept.in_force:
        raise InputError(f"recipe {kept.recipe.name}", "not in force", "a recipe in force", "Choose another.")
    return kept


def _carried(book: Book, kept: KeptRecipe, stack: Stack, line: Line) -> KnownSettings:
    """A recipe as it is carried to another line: the same surfaces, and what its study wanted of these materials."""
    recipe = kept.recipe
    if line.name == recipe.line.name:
        raise InputError(
            "--line",
            line.name,
            f"another line: recipe {recipe.name} was released for this one",
            "Name the line that it is carried to.",
        )
    own = {s.factor: s.surface for s in recipe.settings if s.factor not in recipe.held}
    numbers = {name: value for name, value in own.items() if not isinstance(value, str)}
    levels = {name: value for name, value in own.items() if isinstance(value, str)}
    found = KnownSettings(numbers, {**recipe.held, **levels}, source_words(recipe))
    if kept.study_id is None:
        return found
    record = book.study(kept.study_id)
    return replace(found, spec=record.study.spec, limits=limits_elsewhere(record, stack, line.name)[1])
