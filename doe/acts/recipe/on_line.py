"""What a recipe means on a line: its settings through the gauges of that line, and what is not known there."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from doe.acts.gauges.dials import USUAL_STEP_DEGC, Dial, dial_ends, dials_on
from doe.acts.gauges.line import gauged_line
from doe.assure.gauges.line import GaugedLine
from doe.book.records import KeptRecipe
from doe.domain.limits import CEILING_DEGC
from doe.domain.recipe import Recipe, RecipeSetting
from doe.domain.stack import Line
from doe.domain.units import METRIC, Shown
from doe.words.gauges.cautions import caution_words, status_words
from doe.words.recipe.card import dial_not_known, not_known_elsewhere, window_in_doubt

if TYPE_CHECKING:
    from doe.book.book import Book


@dataclass(frozen=True)
class LineSetting:
    """One setting of a recipe on a line.

    ``dial`` for the setpoint, None where no gauge tells it or it is no temperature of a machine; ``dial_low`` and
    ``dial_high`` the window on that dial.
    """

    setting: RecipeSetting
    dial: Dial | None
    dial_low: float | None
    dial_high: float | None


@dataclass(frozen=True)
class OnLine:
    """A recipe expressed for a line.

    ``is_own`` says that it is the line the recipe was released for; ``unknown`` lists what is not known there, and
    ``cautions`` what its gauges say. Full sentences.
    """

    kept: KeptRecipe
    line: Line
    is_own: bool
    settings: tuple[LineSetting, ...]
    unknown: tuple[str, ...]
    cautions: tuple[str, ...]


def recipe_on(book: Book, kept: KeptRecipe, line_name: str, *, on: date, shown: Shown = METRIC) -> OnLine:
    """A recipe for a line: the same surface temperatures, dialled in as that line's gauge readings tell.

    Raises
    ------
    InputError
        If the book has no such line.
    """
    line = book.line(line_name)
    gauged = gauged_line(book, line, on=on)
    recipe = kept.recipe
    numbers = {s.factor: s.surface for s in recipe.settings if not isinstance(s.surface, str)}
    dials, beyond = dials_on(gauged, numbers, {})
    dials = {name: dial for name, dial in dials.items() if dial.degc < CEILING_DEGC}  # a sentence says why
    settings = tuple(_line_setting(gauged, s, dials.get(s.factor)) for s in recipe.settings)
    is_own = line.name == recipe.line.name
    return OnLine(
        kept,
        line,
        is_own,
        settings,
        _unknown(recipe, line, gauged, settings, is_own=is_own, shown=shown),
        (
            *filter(None, (status_words(m.status, shown) for m in gauged.machines)),
            *caution_words((*beyond, *gauged.left_out), shown=shown),
        ),
    )


def _line_setting(gauged: GaugedLine, setting: RecipeSetting, dial: Dial | None) -> LineSetting:
    low = high = None
    if dial is not None and setting.window_low is not None and setting.window_high is not None:
        low, high = dial_ends(gauged, setting.factor, setting.window_low, setting.window_high, dial, USUAL_STEP_DEGC)
    return LineSetting(setting, dial, low, high)


def _unknown(
    recipe: Recipe, line: Line, gauged: GaugedLine, settings: tuple[LineSetting, ...], *, is_own: bool, shown: Shown
) -> tuple[str, ...]:
    """What is not known of a recipe on a line, the gravest first."""
    found = []
    for each in settings:
        setting = each.setting
        gauge = gauged.gauge_of(setting.factor)
        if gauge is None or isinstance(setting.surface, str):
            continue
        if each.dial is None:
            found.append(dial_not_known(setting.label, gauge.machine, line.name))
            continue
        room = _room(setting)
        twice = 2 * (each.dial.u_delta_degc or 0.0)
        if room is not None and twice > room:
            found.append(window_in_doubt(setting.label, twice, room, shown))
    return tuple(found) if is_own else (*found, *not_known_elsewhere(recipe, line.name))


def _room(setting: RecipeSetting) -> float | None:
    """Distance from the setpoint to the nearer end of the window; None without a window."""
    if isinstance(setting.surface, str) or setting.window_low is None or setting.window_high is None:
        return None
    return min(setting.surface - setting.window_low, setting.window_high - setting.surface)
