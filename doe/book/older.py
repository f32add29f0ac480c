"""Sentences by which older programs knew a fact, and the facts: for bringing older books and exports up to date.

Books up to schema 0004 kept two facts as sentences among others. Nothing but a migration and an import may ask for
them; both turn them into fields and take the sentences out, since they are now made where they are shown.
"""

from __future__ import annotations

from typing import Any

AT_SURFACE = "Temperatures are those of the surface; what to dial in for them stands on the bench sheet."
"""Among the notes of a round: its temperatures are those of the surface. Without it they are what was dialled in."""

AS_DIALLED = (
    "The coupons were made at dial settings; the surface temperatures are what the gauge readings give for these."
)
"""Among the cautions of a recipe: its coupons were made at dial settings."""


def scale_of_notes(notes: list[Any]) -> tuple[str, list[Any]]:
    """What the temperatures of a round are (``surface`` or ``dial``), and its notes without the sentence for it."""
    return ("surface" if AT_SURFACE in notes else "dial"), [note for note in notes if note != AT_SURFACE]


def recipe_with_facts(data: dict[str, Any]) -> dict[str, Any]:
    """A stored recipe whose ``as_dialled`` is a field; one that has it already, or is a retirement, is left alone."""
    if not data or "as_dialled" in data:
        return data
    cautions = data.get("cautions", [])
    return {**data, "cautions": [c for c in cautions if c != AS_DIALLED], "as_dialled": AS_DIALLED in cautions}
