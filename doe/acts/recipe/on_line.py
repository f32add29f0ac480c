"""What a recipe means on a line: its settings through the gauges of that line, and what is not known there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from doe.acts.gauges.line import USUAL_STEP_DEGC, Dial, dials_on, gauged_line
from doe.assure.gauges.line import GaugedLine
from doe.assure.gauges.summary import status_caution
from doe.book.book import Book
from doe.domain.factors import seconds_in_heat
from doe.domain.finding import Finding
from doe.domain.gauge import MACHINE_KINDS
from doe.domain.limits import CEILING_DEGC
from doe.domain.recipe import KeptRecipe, Recipe, RecipeSetting
from doe.domain.stack import Line
from doe.domain.units import METRIC, Shown


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

    ``is_own`` says that it is the line the recipe was released for; ``unknown`` lists what is not known there, the
    gravest first, and ``cautions`` what its gauges say.
    """

    kept: KeptRecipe
    line: Line
    is_own: bool
    settings: tuple[LineSetting, ...]
    unknown: tuple[Finding, ...]
    cautions: tuple[Finding | str, ...]


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
    dials = {name: dial for name, dial in dials.items() if dial.degc < CEILING_DEGC}  # a caution says why
    settings = tuple(_line_setting(gauged, s, dials.get(s.factor)) for s in recipe.settings)
    is_own = line.name == recipe.line.name
    unknown = (*_in_doubt(gauged, settings), *(() if is_own else _elsewhere(recipe, line)))
    statuses = (status_caution(m.status) for m in gauged.machines if m.status.state != "in date")
    return OnLine(kept, line, is_own, settings, unknown, (*statuses, *beyond, *gauged.left_out))


def _line_setting(gauged: GaugedLine, setting: RecipeSetting, dial: Dial | None) -> LineSetting:
    if dial is None:
        return LineSetting(setting, None, None, None)
    ends = setting.window_low, setting.window_high
    return LineSetting(setting, dial, *gauged.dial_ends(setting.factor, *ends, dial.degc, USUAL_STEP_DEGC))


def _in_doubt(gauged: GaugedLine, settings: tuple[LineSetting, ...]) -> Iterator[Finding]:
    """Dials that no reading tells, or less well than the window is wide."""
    for each in settings:
        setting = each.setting
        gauge = gauged.gauge_of(setting.factor)
        if gauge is None or isinstance(setting.surface, str):
            continue
        about = {"factor": setting.factor}
        if each.dial is None:
            yield Finding("dial_unknown", {**about, "machine": gauge.machine, "line": gauged.line.name})
        elif setting.window_low is not None and setting.window_high is not None:
            room = min(setting.surface - setting.window_low, setting.window_high - setting.surface)
            twice = 2 * (each.dial.u_delta_degc or 0.0)
            if twice > room:
                yield Finding("window_in_doubt", {**about, "known_delta_degc": twice, "room_delta_degc": room})


def _elsewhere(recipe: Recipe, line: Line) -> Iterator[Finding]:
    """What is not known of a recipe on a line that it was not released for; a machine that both share is known."""
    lines = {"line": line.name, "own_line": recipe.line.name}
    same_oven, same_press = (line.keeper(kind) == recipe.line.keeper(kind) for kind in MACHINE_KINDS)
    yield Finding("tried_elsewhere" if recipe.confirmation is None else "confirmed_elsewhere", lines)
    if not same_oven:
        yield Finding("other_oven")
        for s in recipe.settings:
            if s.heated_mm is not None and (seconds := seconds_in_heat(s.heated_mm, float(s.surface))):
                yield Finding("other_belt", {"seconds": seconds, **lines})
    if not same_press and ("pressure" in recipe.held or any(s.factor == "pressure" for s in recipe.settings)):
        yield Finding("other_pressure")
    if not (same_oven and same_press):
        yield Finding("limits_elsewhere", lines)
    if not same_press:
        yield Finding("other_platen")
