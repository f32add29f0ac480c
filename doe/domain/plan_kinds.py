"""Kinds of rounds that are no search for the window: what they are for decides who may learn from them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal, Protocol

CONFIRM = "confirm"
"""Coupons that check a setpoint already chosen. They judge the answer, so they never enter the fit behind it."""

COMPARE = "compare"
"""Coupons of two stacks side by side in the same press strokes."""

JUDGING = (CONFIRM, COMPARE)
"""Kinds of rounds that no fit learns from."""

Scale = Literal["surface", "dial"]
"""What the temperatures of a round's coupons are: those of the surface, or what was dialled in (made before dial
settings were corrected, or brought in from a sheet of one's own)."""

CONFIRMATION_PLAN, CONFIRMATION = "confirmation plan", "confirmation"
"""Kinds of analyses: the rule fixed before the coupons are made, and what they said."""

COMPARISON_PLAN, COMPARISON = "comparison plan", "comparison"
"""The same of two materials side by side."""

OPEN_VERDICTS = ("not enough coupons yet", "waiting", "more pairs")
"""Verdicts of a comparison that further checks or coupons may still change."""

REPLACEMENT = "confirmation replacement"
"""Kind of the analysis that says which coupons a further round of the same confirmation stands in for."""


class MadeRound(Protocol):
    """A round with its number and its kind."""

    @property
    def round(self) -> int: ...
    @property
    def kind(self) -> str: ...


class ScaledRound(MadeRound, Protocol):
    """The same with what its temperatures are."""

    @property
    def scale(self) -> Scale: ...


def is_as_dialled(rounds: Sequence[ScaledRound]) -> bool:
    """Whether the temperatures of a study's coupons are what was dialled in, not those of the surface."""
    return bool(rounds) and rounds[0].kind != COMPARE and all(made.scale == "dial" for made in rounds)


def learning_rounds(rounds: Iterable[MadeRound]) -> tuple[int, ...]:
    """Numbers of the rounds that a fit learns from."""
    return tuple(made.round for made in rounds if made.kind not in JUDGING)
