"""Kinds of rounds that are no search for the window: what they are for decides who may learn from them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

CONFIRM = "confirm"
"""Coupons that check a setpoint already chosen. They judge the answer, so they never enter the fit behind it."""

COMPARE = "compare"
"""Coupons of two stacks side by side in the same press strokes."""

CONFIRMATION_PLAN, CONFIRMATION = "confirmation plan", "confirmation"
"""Kinds of analyses: the rule fixed before the coupons are made, and what they said."""


class MadeRound(Protocol):
    """A round with its number and its kind."""

    @property
    def round(self) -> int: ...
    @property
    def kind(self) -> str: ...


def learning_rounds(rounds: Iterable[MadeRound]) -> tuple[int, ...]:
    """Numbers of the rounds that a fit learns from."""
    return tuple(made.round for made in rounds if made.kind not in (CONFIRM, COMPARE))
