"""The first article of a day, shift or lot against a recipe: kept, judged by what the recipe promises.

Kept as notes of the book, which are sealed, exported and never changed; a mistaken one is taken back with its reason.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime

from doe.assure.days import MOST_PRINTS, Article, Days, Given, Glances, day_rule, judge_glances, scores
from doe.book.book import Book
from doe.domain.errors import InputError
from doe.domain.factors import KNOWN_FACTORS
from doe.domain.gauge import USUAL_GAUGE_U_DEGC
from doe.domain.recipe import KeptRecipe, Recipe, RecipeSetting

DAY = "first article"
"""Topic of the notes; their name is that of the recipe."""


def keep_day(book: Book, recipe: str, given: Given) -> Days:
    """Keep a first article, and judge all of this revision.

    Raises
    ------
    InputError
        If the recipe is not in force, a number cannot be, or a setting is none of it.
    """
    kept = _in_force(book, recipe)
    if not 1 <= given.prints <= MOST_PRINTS:
        raise InputError("prints", given.prints, f"1 to {MOST_PRINTS}", "A first article is one to three prints.")
    if not 0 <= given.failed <= given.prints:
        raise InputError("failed", given.failed, f"0 to {given.prints}", "Count each print once.")
    for name in (*given.dialled, *given.surface):
        kept.recipe.setting(name)
    if any(not name.endswith("_temp") for name in given.surface):
        raise InputError("surface", ", ".join(given.surface), "a temperature of the recipe", "Leave the others out.")
    data = {**vars(given), "revision": kept.recipe.revision, "uid": kept.uid}
    book.save_note(DAY, kept.recipe.name, data)
    return days_of(book, kept)


def clear_doubt(book: Book, recipe: str, why: str) -> Days:
    """Say what was wrong and is mended; the count begins anew, the articles stay."""
    kept = _in_force(book, recipe)
    if not why.strip():
        raise InputError(f"recipe {kept.recipe.name}", "no reason", "what was wrong and is mended", "Say why.")
    book.save_note(DAY, kept.recipe.name, {"cleared": why, "revision": kept.recipe.revision, "uid": kept.uid})
    return days_of(book, kept)


def take_back_day(book: Book, recipe: str, why: str) -> Days:
    """Take back what was kept last of this revision, a first article or an explanation; it stays in the book.

    Raises
    ------
    InputError
        If nothing is kept, or there is no why.
    """
    kept = _in_force(book, recipe)
    last = [note.id for note in book.notes(DAY, kept.recipe.name) if note.data["uid"] == kept.uid][-1:]
    if not last:
        where = f"recipe {kept.recipe.name}"
        raise InputError(where, "no first article", "one that was kept", "Nothing needs to be taken back.")
    book.withdraw_note(last[0], why)
    return days_of(book, kept)


def _in_force(book: Book, recipe: str) -> KeptRecipe:
    kept = book.recipe(recipe)
    if not kept.in_force:
        raise InputError(f"recipe {kept.recipe.name}", "not in force", "a recipe in force", "Choose another.")
    return kept


def days_of(book: Book, kept: KeptRecipe) -> Days:
    """The first articles of a revision, judged."""
    recipe = kept.recipe
    articles: list[Article] = []
    earlier: list[Article] = []
    cleared: tuple[datetime, str, str] | None = None
    for note in book.notes(DAY, recipe.name):
        data = note.data
        if data["uid"] != kept.uid:
            continue
        if "cleared" in data:
            cleared, earlier, articles = (note.at, note.who, data["cleared"]), [*earlier, *articles], []
            continue
        given = Given(data["prints"], data["failed"], tuple(data["seen"]), data["dialled"], data["surface"])
        articles.append(Article(note.at, note.who, given, settings_off(recipe, given.dialled)))
    rule = day_rule(recipe.pass_rate_low if recipe.confirmation is None else recipe.confirmation.claim)
    counted = [(a.given.prints, a.given.failed) for a in articles if not a.off]
    glances = tuple(found for s in recipe.settings if (found := _glances(recipe, s, articles)).off)
    return Days(kept, tuple(articles), rule, tuple(scores(rule, counted)), glances, cleared, tuple(earlier))


def settings_off(recipe: Recipe, dialled: Mapping[str, float]) -> tuple[str, ...]:
    """Settings that were dialled outside the recipe's window, or a step away from it where it has none."""
    return tuple(name for name, value in dialled.items() if not _is_inside(recipe.setting(name), value))


def wanted(setting: RecipeSetting) -> float:
    """What a recipe says to dial in."""
    return float(setting.surface if setting.dial is None else setting.dial)


def _is_inside(s: RecipeSetting, value: float) -> bool:
    ends = (s.window_low, s.window_high) if s.dial is None else (s.dial_low, s.dial_high)
    step = KNOWN_FACTORS[s.factor].step if s.factor in KNOWN_FACTORS else 0.0
    low, high = (wanted(s) - step, wanted(s) + step) if ends[0] is None or ends[1] is None else (ends[0], ends[1])
    return low - 1e-9 <= value <= high + 1e-9


def _glances(recipe: Recipe, s: RecipeSetting, articles: list[Article]) -> Glances:
    """Surfaces that were read against what the recipe rests on; without a dial, against the first glance."""
    read = [(a.at, a.given.surface[s.factor], a.given.dialled) for a in articles if s.factor in a.given.surface]
    if isinstance(s.surface, str) or not read:
        return Glances(s.factor, (), 0.0, "", None)
    gauge = recipe.line.gauge_u_degc or USUAL_GAUGE_U_DEGC
    expected = s.surface - wanted(s)
    off = [surface - dialled.get(s.factor, wanted(s)) - expected for _, surface, dialled in read]
    u = math.hypot(gauge, 2 * (s.dial_u or 0.0))
    if s.dial is None:  # nothing tells the display from the surface: only a change can be seen
        off, u = [each - off[0] for each in off], math.sqrt(2) * gauge
    return Glances(s.factor, tuple(off), u, judge_glances(off, u), read[-1][0])
