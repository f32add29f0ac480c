"""The exercises by name, and carrying one on from what was answered so far."""

from __future__ import annotations

from collections.abc import Iterable

from doe.domain.errors import InputError
from doe.domain.units import METRIC, Shown
from doe.practice.drill import Drill, Turn
from doe.practice.drill_blank import QualifyBlank
from doe.practice.drill_compare import Compare
from doe.practice.drill_fault import FindFault
from doe.practice.drill_report import ReadReport
from doe.practice.drill_tune import TunePowder

DRILLS: dict[str, type[Drill]] = {d.exercise: d for d in (TunePowder, FindFault, QualifyBlank, ReadReport, Compare)}
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
    """Pass on what was typed, ``hint`` included."""
    if text.strip().lower() == HINT:
        return Turn((drill.hint(),))
    return drill.answer(text)


def replay(exercise: str, seed: int, answers: Iterable[str], shown: Shown = METRIC) -> Drill:
    """An exercise carried on to where these answers lead: the same answers always lead to the same place."""
    drill = start(exercise, seed, shown)
    for text in answers:
        reply(drill, text)
    return drill
