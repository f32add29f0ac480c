"""The reasons behind the answer of a study."""

from __future__ import annotations

from typing import TYPE_CHECKING

from doe.setpoint.why import Why, explain_answer

if TYPE_CHECKING:
    from doe.acts.study.fits import Recommended


def explain(found: Recommended) -> Why:
    """Reasons behind an answer, kept or new, from the fit that stands behind it."""
    return explain_answer(found.fitted.record.study, found.fitted.surfaces, found.answer)
