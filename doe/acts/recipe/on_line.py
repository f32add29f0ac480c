"""What a recipe means on a line: its settings through the gauges of that line, and what is not known there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
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

OTHER_BELT = ("other_belt", "other_belt_measured", "other_belt_unmeasured")
"""Codes of what is not known of a belt that is not the recipe's own."""


@dataclass(frozen=True)
class LineSetting:
    """One setting of a recipe on a line.

    ``dial`` for the setpoint, None where no gauge tells it or it is no temperature of a machine; ``dial_low`` and
    ``dial_high`` the window on that dial. ``other_belt`` says that it is the speed of another belt than the one there,
    ``there_mm`` how long that one is in the heat, where a study on it said so.
    """

    setting: RecipeSetting
    dial: Dial | None
    dial_low: float | None
    dial_high: float | None
    other_belt: bool = False
    there_mm: float | None = None

    @property
    def speed_there(self) -> float | None:
        """Speed of the belt there that gives the same time in the heat, in m/min, where both lengths are known."""
        return None if self.seconds is None or self.there_mm is None else speed_for(self.there_mm, self.seconds)

    @property
    def seconds(self) -> float | None:
        """Time in the heat to keep on another belt, where the length of the recipe's own is known."""
        return seconds_in_heat(self.setting.heated_mm, float(self.setting.surface)) if self.other_belt else None


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


def speed_for(heated_mm: float, seconds: float) -> float:
    """Speed in m/min at which a belt so long in the heat takes so many seconds.

    >>> speed_for(900, 120)
    0.45
    """
    return round(heated_mm * 60 / 1000 / seconds, 3)


def belt_there(book: Book, line: Line) -> float | None:
    """Length in the heat, in mm, of the belt of a line's oven, as the newest study on it says; None if none does."""
    names = {line.name, line.keeper("oven"), *line.shares("oven", book.lines())}
    for listed in book.studies(include_archived=True):
        if listed.line in names:
            record = book.study(listed.id)
            length = next((f.heated_mm for f in record.study.numeric if f.heated_mm is not None), None)
            if length is not None and line.is_same("oven", record.line, record.made_at):
                return length
    return None


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
    same_oven = line.is_same("oven", recipe.line, recipe.approved_at)
    has_other = not same_oven and any(s.factor == "belt_speed" for s in recipe.settings)
    there_mm = belt_there(book, line) if has_other else None
    settings = tuple(
        replace(
            _line_setting(gauged, s, dials.get(s.factor)),
            other_belt=not same_oven and s.factor == "belt_speed",
            there_mm=there_mm if s.factor == "belt_speed" else None,
        )
        for s in recipe.settings
    )
    is_own = line.name == recipe.line.name
    belts = _other_belts(recipe, line, settings)
    unknown = (*belts, *_in_doubt(gauged, settings), *(() if is_own else _elsewhere(recipe, line)))
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


def _other_belts(recipe: Recipe, line: Line, settings: tuple[LineSetting, ...]) -> Iterator[Finding]:
    """The speed of a belt whose length nobody has said: a number that must not be dialled in as it stands."""
    lines = {"line": line.name, "own_line": recipe.line.name}
    for each in settings:
        if each.speed_there is not None:
            told = {"seconds": each.seconds, "there_mm": each.there_mm, "speed": each.speed_there}
            yield Finding("other_belt_measured", {**told, **lines})
        elif each.other_belt and each.seconds is not None:
            yield Finding("other_belt", {"seconds": each.seconds, **lines})
        elif each.other_belt:
            yield Finding("other_belt_unmeasured", lines)


def _elsewhere(recipe: Recipe, line: Line) -> Iterator[Finding]:
    """What is not known of a recipe on a line that it was not released for; a machine that both share is known."""
    lines = {"line": line.name, "own_line": recipe.line.name}
    same_oven, same_press = (line.is_same(kind, recipe.line, recipe.approved_at) for kind in MACHINE_KINDS)
    yield Finding("tried_elsewhere" if recipe.confirmation is None else "confirmed_elsewhere", lines)
    if not same_oven:
        yield Finding("other_oven")
    if not same_press and ("pressure" in recipe.held or any(s.factor == "pressure" for s in recipe.settings)):
        yield Finding("other_pressure")
    if not (same_oven and same_press):
        yield Finding("limits_elsewhere", lines)
    if not same_press:
        yield Finding("other_platen")
