"""What to do about a diagnosis: the remedy, moves back to the recipe, and whom to call.

Only a wrongly set dial is mended by moving a setting, and then back to the recipe, never beyond its window and the
limits. A machine that does not do what it shows is measured and mended, not dialled around.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from doe.domain.limits import CEILING_DEGC, Limits
from doe.symptoms.catalogue import Call, Fault
from doe.symptoms.diagnosis import Diagnosis, Evidence
from doe.symptoms.known import Level

FAR_OFF_DEGC = 15.0
"""A machine this far from its display is not adjusted by the shop (our guess, no source)."""
LIKELY = 0.30
"""A cause at least this probable counts for stopping and calling."""


@dataclass(frozen=True)
class ReferenceSettings:
    """What a released recipe, or the last recommendation, says; stored units.

    Attributes
    ----------
    settings : mapping
        Factor to its setpoint.
    window : mapping
        Factor to (low, high); factors without one have only the setpoint.
    limits : Limits or None
    """

    settings: Mapping[str, float] = field(default_factory=dict)
    window: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    limits: Limits | None = None

    def level(self, factor: str, value: float, slack: float = 0.0) -> Level | None:
        """Where a current setting lies against the window, or the setpoint +- ``slack``; None if nothing is known."""
        if factor in self.window:
            low, high = self.window[factor]
        elif factor in self.settings:
            low, high = self.settings[factor] - slack, self.settings[factor] + slack
        else:
            return None
        return "low" if value < low else "high" if value > high else "inside"

    def is_permitted(self, factor: str, value: float) -> bool:
        """Whether a value is inside window and limits, and below the ceiling for temperatures."""
        if factor.endswith("_temp") and value >= CEILING_DEGC:
            return False
        low, high = self.limits.bounds(factor) if self.limits is not None else (None, None)
        inside = (low is None or value >= low) and (high is None or value <= high)
        if factor in self.window:
            inside = inside and self.window[factor][0] <= value <= self.window[factor][1]
        return inside


@dataclass(frozen=True)
class Move:
    """One setting back to the recipe, in stored units."""

    factor: str
    now: float
    to: float


@dataclass(frozen=True)
class Advice:
    """What to do.

    Attributes
    ----------
    remedy : str
        Of the first cause; empty while the evidence does not name one.
    moves : tuple of Move
        Settings back to the recipe; only for a wrongly set dial.
    call : {"", "maker", "licensed"}
    stop : bool
        Stop pressing until the heat is known: something burnt, or runs hotter than it shows.
    """

    remedy: str
    moves: tuple[Move, ...]
    call: Call
    stop: bool


def advise(
    diagnosis: Diagnosis, evidence: Evidence, recipe: ReferenceSettings, current: Mapping[str, float] | None = None
) -> Advice:
    """Advice for a diagnosis; ``current``: settings in use, by factor, in stored units."""
    first = diagnosis.first.fault
    moves = _moves(first, recipe, current or {}) if diagnosis.settled else ()
    return Advice(
        first.remedy if diagnosis.settled else "",
        moves,
        _call(diagnosis, evidence),
        _must_stop(diagnosis, evidence),
    )


def _moves(first: Fault, recipe: ReferenceSettings, current: Mapping[str, float]) -> tuple[Move, ...]:
    if first.at != "the dial":
        return ()
    low = first.side == "under"
    return tuple(
        Move(name, current[name], recipe.settings[name])
        for name in first.settings
        if name in current
        and name in recipe.settings
        and recipe.is_permitted(name, recipe.settings[name])
        and (current[name] < recipe.settings[name] if low else current[name] > recipe.settings[name])
    )


def _call(diagnosis: Diagnosis, evidence: Evidence) -> Call:
    if any(abs(r.measured_degc - r.set_degc) >= FAR_OFF_DEGC for r in evidence.known.readings):
        return "licensed"
    if diagnosis.settled:
        return diagnosis.first.fault.call
    nothing_left = not diagnosis.checks
    return "maker" if nothing_left or diagnosis.p_none >= 0.5 else ""


def _must_stop(diagnosis: Diagnosis, evidence: Evidence) -> bool:
    hot = ("press_runs_hot", "cure_runs_hot")
    likely_hot = any(c.p >= LIKELY for c in diagnosis.causes if c.fault.key in hot)
    return "scorch" in evidence.symptoms or likely_hot
