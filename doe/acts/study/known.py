"""Settings that are known (a maker's sheet, a second press, an old habit): kept to be confirmed without a search."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partial

from doe.acts.gauges.line import gauged_line, suggested_errors
from doe.acts.recipe.on_line import belt_there, speed_for
from doe.acts.recipe.recipes import find_recipe
from doe.acts.study.change import limits_elsewhere
from doe.acts.study.limits import refuse_held
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.domain.errors import InputError, quoted
from doe.domain.factors import Factor, seconds_in_heat
from doe.domain.recipe import KeptRecipe, Recipe
from doe.domain.stack import Line, Stack
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.words.study.typed import KnownOptions, KnownSettings, kept_in_heat, known_study, source_words
from doe.words.typed import heated_length


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
        known = _carried(book, kept, book.stack(stack), book.line(line), wanted.heated)
    at_surface = partial(_surfaces, book, line) if wanted.dial and line else None
    study = known_study(replace(wanted, stack=stack), shown, known, book.stack(stack) if stack else None, at_surface)
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


def _surfaces(book: Book, line: str, dials: Mapping[str, float]) -> dict[str, float]:
    """What the surfaces have where these are the dial numbers of a line, by its gauge readings.

    Raises
    ------
    InputError
        If no reading tells it.
    """
    gauged, found = gauged_line(book, line), {}
    for name, dial in dials.items():
        here = gauged.surface(name, dial)
        if here is None:  # no temperature of a machine
            continue
        if not here.is_checked:
            raise InputError(
                f"--set {name}",
                "a dial number of a machine that no gauge reading tells of",
                "a reading of it, or the surface temperature",
                f"Measure it: doe gauge add {quoted(line)} --machine {here.machine} --set DISPLAY --measured SURFACE",
            )
        found[name] = round(here.surface_degc, 1)
    return found


def _in_heat(
    recipe: Recipe, line: Line, heated: str, there_mm: float | None
) -> tuple[dict[str, float], float | None, float | None]:
    """Cure time or belt speed of a recipe in the oven of another line, whose belt is ``there_mm`` long as studies say.

    Returns
    -------
    (settings, heated_mm, seconds)
        ``settings`` holds one of both, or none; ``seconds`` is None where the oven and its time are the same.

    Raises
    ------
    InputError
        If a belt's length is missing: the same speed is another time on another belt.
    """
    at = {s.factor: s for s in recipe.settings}
    speed, time = at.get("belt_speed"), at.get("cure_time")
    if speed is not None and line.is_same("oven", recipe.line, recipe.approved_at):
        return {"belt_speed": float(speed.surface)}, speed.heated_mm, None
    if speed is None and (not heated or time is None):
        return ({} if time is None else {"cure_time": float(time.surface)}), None, None
    new, _, old = (part.strip() for part in heated.partition(" from "))
    if speed is not None:
        own_mm = heated_length(old, "--heated") if old else speed.heated_mm
        if own_mm is None:
            raise InputError(
                "--heated",
                repr(heated) if heated else "nothing",
                "the lengths of both belts in the heat, the new one first: 0.9m from 1.2m",
                f"The recipe does not say how long the belt of {recipe.line.name} is; the same speed on another belt "
                "would be another time.",
            )
        seconds = float(seconds_in_heat(own_mm, float(speed.surface)) or 0.0)
    else:
        assert time is not None  # said above
        seconds = float(time.surface)
    if new.lower() == "none":
        return {"cure_time": seconds}, None, seconds
    length = heated_length(new, "--heated") if new else there_mm
    if length is None:
        raise InputError(
            "--heated",
            "nothing",
            f"the length of belt in the heat of {line.oven.name}, or none where it has no belt",
            f"The recipe has {seconds:.0f} s in the heat; the same speed would be another time on another belt.",
        )
    return {"belt_speed": speed_for(length, seconds)}, length, seconds


def _carried(book: Book, kept: KeptRecipe, stack: Stack, line: Line, heated: str) -> KnownSettings:
    """A recipe as it is carried to another line: the same surfaces, and what its study wanted of these materials.

    A belt of another length gets the speed that gives the same time in the heat.
    """
    recipe = kept.recipe
    if line.name == recipe.line.name:
        raise InputError(
            "--line",
            line.name,
            f"another line: recipe {recipe.name} was released for this one",
            "Name the line that it is carried to.",
        )
    own = {s.factor: s.surface for s in recipe.settings if s.factor not in recipe.held}
    in_heat, length, seconds = _in_heat(recipe, line, heated, belt_there(book, line))
    numbers = {
        **{n: v for n, v in own.items() if not isinstance(v, str) and n not in ("belt_speed", "cure_time")},
        **{n: v for n, v in in_heat.items() if n in own or seconds is not None},
    }
    levels = {name: value for name, value in own.items() if isinstance(value, str)}
    source = source_words(recipe) if seconds is None else kept_in_heat(source_words(recipe), seconds)
    found = KnownSettings(numbers, {**recipe.held, **levels}, source, heated_mm=length)
    if kept.study_id is None:
        return found
    record = book.study(kept.study_id)
    return replace(found, spec=record.study.spec, limits=limits_elsewhere(record, stack, line.name)[1])
