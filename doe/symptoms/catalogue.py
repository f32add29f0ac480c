"""The 26 symptoms: what is seen, what it points to, what to look at first, what then helps.

They stand in `templates/tables/symptoms.toml`, with where they come from. The makers' data sheets always win.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal, get_args

from doe.domain.jsonable import packaged_table, rows

PRACTICE = "common practice, no source"
TRADE_PAGES = "trade pages, secondary"

Sureness = Literal["weak", "medium", "fairly strong", "strong"]
SURENESS: tuple[Sureness, ...] = get_args(Sureness)
"""From least to most sure."""

CauseSide = Literal["under", "over", "other"]
When = Literal["after cure", "at press", "at peel", "after press", "after wash", "days later"]


class Pointer(StrEnum):
    """What a symptom may point to, in words for people."""

    CURE_UNDER = "cure too little"
    CURE_OVER = "cure too much"
    PRESS_UNDER = "press too little"
    PRESS_OVER = "press too much"
    PRESSURE_LOW = "pressure low or uneven"
    PRESSURE_HIGH = "pressure high"
    POWDER_LOW = "powder low"
    POWDER_HIGH = "powder high"
    POWDER_UNEVEN = "powder uneven"
    POWDER_COARSE = "powder coarse"
    POWDER_OLD = "powder old"
    POWDER_LOW_MELT = "powder melts too low"
    MOISTURE = "moisture"
    PEEL = "peel handling"
    GAP = "waiting time wrong"
    FABRIC = "fabric"
    INK = "ink or print"
    DUST = "dust"
    PAD = "no pad"
    NO_SECOND_PRESS = "no second press"
    REPEATED_PRESS = "pressed too often"

    @property
    def side(self) -> CauseSide:
        """Which way it misses: ``under`` and ``over`` are heat at cure or press, everything else is ``other``."""
        if self in (Pointer.CURE_UNDER, Pointer.PRESS_UNDER):
            return "under"
        return "over" if self in (Pointer.CURE_OVER, Pointer.PRESS_OVER) else "other"


@dataclass(frozen=True)
class Cause:
    """One thing a symptom points to."""

    pointer: Pointer
    sureness: Sureness
    detail: str = ""
    source: str = PRACTICE

    @property
    def side(self) -> CauseSide:
        """``under``, ``over`` or ``other``."""
        return self.pointer.side

    def __str__(self) -> str:
        return f"{self.pointer} ({self.detail})" if self.detail else str(self.pointer)


@dataclass(frozen=True)
class Symptom:
    """What is seen on a coupon, and what it points to.

    Parameters
    ----------
    key, label : str
        The stored name, and the words for people (no comma or semicolon, so that a cell can hold several).
    seen : str
        What is seen on the coupon.
    when : str
        When in the process it shows first.
    causes : tuple of Cause
        In order; never one answer, because a symptom may point both ways.
    first_check : str
        What to look at before any setting is moved.
    remedy : str
        What then helps, always inside the makers' limits.
    """

    key: str
    label: str
    seen: str
    when: When
    causes: tuple[Cause, ...]
    first_check: str
    remedy: str

    @property
    def sureness(self) -> Sureness:
        """How sure the leading cause is."""
        return self.causes[0].sureness

    @property
    def source(self) -> str:
        """Where the pointers come from."""
        from_pages = [str(c.pointer) for c in self.causes if c.source != PRACTICE]
        return f"{PRACTICE}; {', '.join(from_pages)}: {TRADE_PAGES}" if from_pages else PRACTICE

    @property
    def side(self) -> Literal["under", "over", "other", "unknown"]:
        """Which way this symptom alone says the coupon failed.

        The surest cause decides when it is surer than ``weak`` and no other side is as sure. A symptom whose
        causes are all ``other`` is ``other`` however weak: it is not heat.
        """
        best: dict[CauseSide, int] = {}
        for cause in self.causes:
            best[cause.side] = max(best.get(cause.side, 0), SURENESS.index(cause.sureness))
        if set(best) == {"other"}:
            return "other"
        top = max(best.values())
        leading = [side for side, sureness in best.items() if sureness == top]
        return leading[0] if top > 0 and len(leading) == 1 else "unknown"


CATALOGUE: tuple[Symptom, ...] = rows(
    Symptom,
    (
        {**row, "causes": [Cause(**{**cause, "pointer": Pointer(cause["pointer"])}) for cause in row["causes"]]}
        for row in packaged_table("symptoms")["symptom"]
    ),
)
"""Every symptom, each once."""
