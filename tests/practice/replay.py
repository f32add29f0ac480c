"""An exercise carried on to where answers lead."""

from __future__ import annotations

from collections.abc import Iterable

from doe.practice.drill import Drill
from doe.practice.drills import reply, start


def replay(exercise: str, seed: int, answers: Iterable[str]) -> Drill:
    """The same answers always lead to the same place."""
    drill = start(exercise, seed)
    for text in answers:
        reply(drill, text)
    return drill
