"""What to dial in for the settings of a recipe on a line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

from doe.domain.limits import CEILING_DEGC

if TYPE_CHECKING:
    from doe.assure import GaugedLine, MachineSetting
    from doe.book import Book, StudyRecord

USUAL_STEP_DEGC = 1.0
"""Step of a dial where nothing else is known."""


@dataclass(frozen=True)
class Dial:
    """A dial value, rounded to a step the machine can be given, and its standard uncertainty."""

    degc: float
    u_delta_degc: float | None


@dataclass(frozen=True)
class Dials:
    """Dial values by factor, those that the readings tell, and what to be careful about (sentences)."""

    of: Mapping[str, Dial] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()


def dials_of(book: Book, record: StudyRecord, setpoint: Mapping[str, float | str], *, on: date) -> Dials:
    """Dial values of surface settings on the line of a study, by the gauge readings in force on a day.

    A temperature whose machine was never measured, or whose surface does not follow its display, has none; the
    cautions say so.
    """
    from doe.acts.gauges import gauged_line
    from doe.assure import gauge_cautions

    gauged = gauged_line(book, record, on=on)
    steps = {f.name: f.step or USUAL_STEP_DEGC for f in record.study.numeric}
    found, beyond = dials_on(gauged, setpoint, steps)
    return Dials(found, (*gauge_cautions(gauged, record.study), *beyond))


def dials_on(
    gauged: GaugedLine, settings: Mapping[str, float | str], steps: Mapping[str, float]
) -> tuple[dict[str, Dial], tuple[str, ...]]:
    """Dial values of surface settings on a line that was judged, and a sentence for each that lies out of reach."""
    from doe.domain.units import show_both

    found, cautions = {}, []
    for name, value in settings.items():
        asked = None if isinstance(value, str) else gauged.dial(name, value)
        if asked is None or not asked.is_checked:
            continue
        dial = _rounded(asked, steps.get(name, USUAL_STEP_DEGC))
        if dial.degc >= CEILING_DEGC:
            cautions.append(
                f"The {asked.machine} would have to be set to {show_both(dial.degc, 'degC')} for it: never do that. "
                "Have the machine mended."
            )
            continue
        if asked.is_beyond:
            cautions.append(
                f"The dial setting of the {asked.machine} lies beyond the range in which it was measured: measure it "
                f"near {show_both(dial.degc, 'degC')}."
            )
        found[name] = dial
    return found, tuple(cautions)


def _rounded(asked: MachineSetting, step: float) -> Dial:
    return Dial(round(round(asked.dial_degc / step) * step, 10), asked.u_delta_degc)
