"""A run chart as an exercise shows it, and what the rules of the book say of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from doe.assure.days import DayRule, Drifted, judge_glances

PRINTS = 2
"""Prints of each first article in exercises."""
Reading = Literal["on", "again", "stop"]
READINGS: tuple[Reading, ...] = ("on", "again", "stop")
_OF_DRIFT: dict[Drifted, Reading] = {"": "on", "glance": "again", "drift": "stop"}


@dataclass(frozen=True)
class RunChart:
    """One chart: failed of `PRINTS` prints an article with the score after each, or what a gauge read beside a recipe.

    Attributes
    ----------
    rule : DayRule
    failed, score : tuple of int
        An article each; empty for a chart of readings.
    off : tuple of float
        Surface less the recipe's, degC, a reading each; empty for a chart of failures.
    u : float
        Uncertainty (k = 2) of a reading, degC.
    """

    rule: DayRule
    failed: tuple[int, ...] = ()
    score: tuple[int, ...] = ()
    off: tuple[float, ...] = ()
    u: float = 0.0

    @property
    def right(self) -> Reading:
        """What the rules of the book say of it."""
        if self.off:
            return _OF_DRIFT[judge_glances(self.off, self.u)]
        return "stop" if self.score[-1] >= self.rule.limit else "on"
