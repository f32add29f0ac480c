"""The exercises by name, and what is typed passed on to one."""

from __future__ import annotations

from doe.domain.errors import InputError
from doe.domain.units import METRIC, Shown
from doe.practice.drill import Drill, Turn
from doe.practice.drill_blank import QualifyBlank
from doe.practice.drill_chart import ReadCharts
from doe.practice.drill_compare import Compare
from doe.practice.drill_fault import FindFault
from doe.practice.drill_report import ReadReport
from doe.practice.drill_tune import TunePowder

DRILLS: dict[str, type[Drill]] = {
    d.exercise: d for d in (TunePowder, FindFault, QualifyBlank, ReadReport, ReadCharts, Compare)
}
"""Exercises in the order in which they are best done."""

HINT = "hint"
"""The answer that asks for a hint."""


def start(exercise: str, seed: int, shown: Shown = METRIC) -> Drill:
    """A new exercise.

    Raises
    ------
    InputError
        If there is none of that name.
    """
    found = DRILLS.get(exercise.strip().lower())
    if found is None:
        raise InputError("exercise", repr(exercise), ", ".join(DRILLS), "Choose one of these.")
    return found(seed, shown)


def reply(drill: Drill, text: str) -> Turn:
    """Pass on what was typed, ``hint`` included; what comes back.

    Raises
    ------
    InputError
        If it cannot be used, or no hint is left; nothing has changed then.
    """
    return Turn((drill.hint(),)) if text.strip().lower() == HINT else drill.answer(text)
