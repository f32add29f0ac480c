"""What to do about a diagnosis: the remedy, moves back to the recipe, and whom to call.

Only a wrongly set dial is mended by moving a setting, and then back to the recipe, never beyond its window and the
limits. A machine that does not do what it shows is measured and mended, not dialled around.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from doe.domain.factors import KNOWN_FACTORS
from doe.domain.gauge import MACHINE_KINDS, MachineKind
from doe.domain.limits import CEILING_DEGC, Limits
from doe.symptoms.catalogue import Call, Fault
from doe.symptoms.diagnosis import Diagnosis, Evidence
from doe.symptoms.known import HeldTo, Level

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
    heated_mm : float or None
        Length of belt in the heat, which makes a time of its speed.
    """

    settings: Mapping[str, float] = field(default_factory=dict)
    window: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    limits: Limits | None = None
    heated_mm: float | None = None

    def level(self, factor: str, value: float, slack: float = 0.0) -> tuple[Level, HeldTo] | None:
        """Where a setting lies, and what says so; None if nothing speaks.

        Limits speak where it breaks them; then the window, or the setpoint +- ``slack``; then the usual band of the
        trade, where it is at its end or beyond.
        """
        low, _ = self.permitted(factor)
        if self.is_too_much(factor, value):
            return "high", "limits"
        if low is not None and value < low:
            return "low", "limits"
        if factor in self.window or factor in self.settings:
            low, high = self.window.get(factor) or (self.settings[factor] - slack, self.settings[factor] + slack)
            return ("low" if value < low else "high" if value > high else "inside"), "recipe"
        known = KNOWN_FACTORS.get(factor)
        if known is None or not known.unit or known.typical[0] < value < known.typical[1]:
            return None
        return ("low" if value <= known.typical[0] else "high"), "usual"

    def permitted(self, factor: str) -> tuple[float | None, float | None]:
        """Lowest and highest setting that the limits leave."""
        return self.limits.bounds(factor, self.heated_mm) if self.limits is not None else (None, None)

    def is_too_much(self, factor: str, value: float, slack: float = 0.0) -> bool:
        """Whether a value is above what is permitted by more than ``slack``, or at the ceiling."""
        _, high = self.permitted(factor)
        return (factor.endswith("_temp") and value >= CEILING_DEGC) or (high is not None and value > high + slack)

    def is_permitted(self, factor: str, value: float) -> bool:
        """Whether a value is inside window and limits, and below the ceiling for temperatures."""
        low, _ = self.permitted(factor)
        inside = not self.is_too_much(factor, value) and (low is None or value >= low)
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
    stop : tuple of {"oven", "press"}
        Machines to be stopped at once until their heat is known: set too hot, hotter than they show, or it burnt.
    """

    remedy: str
    moves: tuple[Move, ...]
    call: Call
    stop: tuple[MachineKind, ...]


def advise(
    diagnosis: Diagnosis,
    evidence: Evidence,
    recipe: ReferenceSettings,
    current: Mapping[str, float] | None = None,
    reached: Mapping[str, float] | None = None,
) -> Advice:
    """Advice for a diagnosis.

    ``current``: settings in use, by factor, in stored units; ``reached``: what the surfaces come to by the gauge, degC.
    """
    first = diagnosis.first.fault
    moves = _moves(first, recipe, current or {}) if diagnosis.settled else ()
    return Advice(
        _remedy(diagnosis),
        moves,
        _call(diagnosis, evidence),
        _to_stop(diagnosis, evidence, recipe, current or {}, reached or {}),
    )


def _remedy(diagnosis: Diagnosis) -> str:
    named = diagnosis.causes[: 2 if diagnosis.both else 1] if diagnosis.settled else ()
    return " ".join(cause.fault.remedy for cause in named)


def _moves(first: Fault, recipe: ReferenceSettings, current: Mapping[str, float]) -> tuple[Move, ...]:
    if first.at != "the dial":
        return ()
    less = {name: (first.side == "under") != KNOWN_FACTORS[name].cools for name in first.settings}
    return tuple(
        Move(name, current[name], recipe.settings[name])
        for name in first.settings
        if name in current
        and name in recipe.settings
        and recipe.is_permitted(name, recipe.settings[name])
        and (current[name] < recipe.settings[name] if less[name] else current[name] > recipe.settings[name])
    )


def _call(diagnosis: Diagnosis, evidence: Evidence) -> Call:
    if any(abs(r.measured_degc - r.set_degc) >= FAR_OFF_DEGC for r in evidence.known.readings):
        return "licensed"
    if diagnosis.settled:
        return diagnosis.first.fault.call
    nothing_left = not diagnosis.checks
    return "maker" if nothing_left or diagnosis.p_none >= 0.5 else ""


READ_DEGC = 3.0
"""What a gauge shows above a limit by less is no reason to stop (our guess, no source)."""
_RUNS_HOT: Mapping[str, MachineKind] = {"press_runs_hot": "press", "cure_runs_hot": "oven"}


def _to_stop(
    diagnosis: Diagnosis,
    evidence: Evidence,
    recipe: ReferenceSettings,
    current: Mapping[str, float],
    reached: Mapping[str, float],
) -> tuple[MachineKind, ...]:
    heating = {
        name: value for name, value in current.items() if not (name in KNOWN_FACTORS and KNOWN_FACTORS[name].cools)
    }
    too_much = [name for name, value in heating.items() if recipe.is_too_much(name, value)]
    too_much += [name for name, value in reached.items() if recipe.is_too_much(name, value, READ_DEGC)]
    hot = {machine_of(name) for name in too_much}
    hot |= {_RUNS_HOT[c.fault.key] for c in diagnosis.causes if c.p >= LIKELY and c.fault.key in _RUNS_HOT}
    if "scorch" in evidence.symptoms:
        hot.add("press")
    return tuple(machine for machine in MACHINE_KINDS if machine in hot)


def machine_of(factor: str) -> MachineKind:
    """The machine at which a factor is set."""
    known = KNOWN_FACTORS.get(factor)
    return "oven" if known is not None and known.stage == "cure" else "press"
