"""Factors: the settings a study varies, and the catalogue of the usual ones."""

from __future__ import annotations

import math
import re
from dataclasses import KW_ONLY, InitVar, dataclass, field
from typing import Literal

from doe.domain.errors import InputError, check_line, plain
from doe.domain.jsonable import named, packaged_table, rows
from doe.domain.units import STORED_UNITS, SYMBOLS, check_celsius, show_both, size_words

Scale = Literal["linear", "log"]
Stage = Literal["cure", "press"]

_NAME = re.compile(r"^[a-z][a-z0-9_]*$")
NAME_LENGTH, LABEL_LENGTH = 40, 80
"""Longest name of a factor or level, and longest label, in characters."""
COLDEST_DEGC, HOTTEST_DEGC, MOST = -50.0, 1000.0, 1e6
"""Coldest and hottest temperature, and the largest setting in any other unit: what lies beyond is a slip of the hand.
What may be proposed ends far below, see `doe.domain.limits`."""

_PREFIXES = ("hand_", "actual_", "check_")  # columns of the results
_RESERVED = {
    "coupon",
    "round",
    "cure_batch",
    "press_batch",
    "cure_order",
    "press_order",
    "garment",
    "stroke",
    "passed",
    "side",
    "grade",
    "role",
    "note",
    "symptom",
    "void",
}


@dataclass(frozen=True)
class KnownFactor:
    """What is usual for a factor the trade knows. Defaults only: the maker's data sheet always wins.

    ``typical`` is a band outside which a warning is given with ``source``; never a limit. ``cools``: more of it is less
    heat, as of a belt that runs faster.
    """

    label: str
    unit: str = ""
    scale: Scale = "linear"
    stage: Stage = "press"
    hard_to_change: bool = False
    step: float = 0
    low: float = math.nan
    high: float = math.nan
    setting_sd: float = 0
    cools: bool = False
    typical: tuple[float, float] = (math.nan, math.nan)
    source: str = ""
    levels: tuple[str, ...] = ()


_TABLE = packaged_table("factors")
KNOWN_FACTORS = dict(zip(_TABLE, rows(KnownFactor, _TABLE.values()), strict=True))
"""The usual factors by name. Ranges and steps are defaults a person may change."""

DEFAULT_FACTORS = ("cure_temp", "cure_time", "press_temp", "dwell")

LONGEST_BELT_MM = 20_000.0
"""Longest heated belt: what is longer is a slip of the hand."""

MOST_SPANS, FINEST_STEPS = 10, 10**9
"""Largest setting error, in ranges; most steps a range may hold."""

LEFT_OUT_WHEN_NONE = "left out when none"
"""Mark of a field that a stored dictionary leaves out while it is None."""

_UNITS = ", ".join(STORED_UNITS[:-1])
_DEFAULT_STEP = {"degC": 1.0, "s": 1.0, "bar": 0.1, "g/m2": 1.0, "m/min": 0.1, "mm": 1.0, "%": 1.0, "": 0.0}


EVERY_LEVEL = "every"
"""In place of a level: one setting for all levels of an endured factor, judged by the worst of them."""


@dataclass(frozen=True)
class Factor:
    """One setting that a study varies.

    Parameters
    ----------
    name : str
        Lower-case identifier, such as ``cure_temp``; names in `KNOWN_FACTORS` bring label, stage and step.
    unit : str
        Stored unit, one of `STORED_UNITS`; ``""`` for a categorical factor.
    low, high : float
        Ends of the range to test, in the unit.
    setting_sd : float
        Setting error: standard deviation of the real value around the set value in production.
    trial_sd : float, optional
        The same while the coupons of a trial are made, where more care is taken than in a shift; ``setting_sd`` when
        left out. The fit takes it out of the coupons; production's is put in when a setpoint is judged.
    hard_to_change : bool
        Whether changing it costs settling time, so that coupons are made in batches of one setting.
    scale : {"linear", "log"}
        ``log`` for times: a ratio matters, not a difference.
    step : float, optional
        Smallest change the machine can be given; by default that of the catalogue, or of the unit.
    levels : tuple of str
        The levels of a categorical factor (then low and high are not used).
    every : bool
        Only to make one: the same as ``endured=True``, said in the word that is typed.
    endured : bool, optional
        Whether one setting must hold on every level (platens, ovens, operators) instead of the best level being chosen.
    fixed : bool, optional
        Whether it is one known value that is confirmed and not searched; ``low`` and ``high`` are then that value.
    heated_mm : float, optional
        Of a belt's speed: the length of belt in the heat, which makes a time of it (`seconds`).
    stage : {"cure", "press"}, optional
        At which machine it is set; by default that of the catalogue, else ``press``.
    label : str
        Words for people; by default those of the catalogue, or the name.

    Raises
    ------
    InputError
        If name, unit, range, setting error, scale or levels cannot be used.
    """

    name: str
    unit: str = ""
    low: float = math.nan
    high: float = math.nan
    _: KW_ONLY
    setting_sd: float = 0.0
    hard_to_change: bool = False
    scale: Scale = "linear"
    step: float | None = None
    levels: tuple[str, ...] = ()
    stage: Stage | None = None
    label: str = ""
    # not written down while it is not stated: studies kept before it existed stay the same, sum for sum
    trial_sd: float | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    endured: bool | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    fixed: bool | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    heated_mm: float | None = field(default=None, metadata={LEFT_OUT_WHEN_NONE: True})
    every: InitVar[bool] = False

    def __post_init__(self, every: bool) -> None:
        if every:
            object.__setattr__(self, "endured", True)
        known = KNOWN_FACTORS.get(self.name)
        fill = object.__setattr__  # the dataclass is frozen; defaults are filled once, here
        if self.step is None:
            fill(
                self,
                "step",
                known.step if known and known.unit == self.unit else _DEFAULT_STEP.get(self.unit, 0.0),
            )
        if self.stage is None:
            fill(self, "stage", known.stage if known else "press")
        if not self.label:
            fill(self, "label", known.label if known else self.name.replace("_", " "))
        fill(self, "levels", tuple(self.levels))
        check_line(self.label, f"factor {self.name}, label", longest=LABEL_LENGTH, in_cells=True)
        self._check()

    def _check(self) -> None:
        where = f"factor {self.name}"
        if (
            not _NAME.match(self.name)
            or self.name in _RESERVED
            or self.name.startswith(_PREFIXES)
            or len(self.name) > NAME_LENGTH
        ):
            raise InputError(
                "factor name",
                repr(self.name),
                f"at most {NAME_LENGTH} lower-case letters, digits and _, not a column of the plan",
                "Choose a name such as cure_temp.",
            )
        if self.unit not in STORED_UNITS:
            raise InputError(f"{where}, unit", repr(self.unit), _UNITS, "Convert to one of these.")
        if self.stage not in ("cure", "press"):
            raise InputError(f"{where}, stage", self.stage, "cure or press", "Say at which machine it is set.")
        if self.endured and (not self.levels or EVERY_LEVEL in self.levels):
            raise InputError(
                f"{where}, {EVERY_LEVEL}",
                " / ".join(self.levels) or "no levels",
                f"levels, none of them called {EVERY_LEVEL}",
                "List the levels on all of which one setting must hold.",
            )
        if self.levels:
            for level in self.levels:
                check_line(level, f"{where}, level", longest=NAME_LENGTH, in_cells=True)
            told_apart = {"".join(level.casefold().split()) for level in self.levels} - {""}
            if len(told_apart) != len(self.levels) or not 2 <= len(self.levels) <= 4:
                raise InputError(
                    f"{where}, levels",
                    " / ".join(self.levels),
                    "2 to 4 different levels, each with a name",
                    "List each level once.",
                )
            return
        if self.unit == "":
            raise InputError(f"{where}, unit", "none", f"{_UNITS}, or a list of levels", "Give a unit or levels.")
        known = KNOWN_FACTORS.get(self.name)
        if known is not None and self.unit != known.unit:
            raise InputError(
                f"{where}, unit",
                self.unit or "none",
                known.unit or "a list of levels",
                f"{known.label.capitalize()} is kept in its own unit; choose another name for something else.",
            )
        self._check_range(where)

    def _check_range(self, where: str) -> None:
        if self.unit == "degC":
            for end in (self.low, self.high):
                check_celsius(end, where)
        in_order = self.low == self.high if self.fixed else self.low < self.high
        if not (math.isfinite(self.low) and math.isfinite(self.high) and in_order):
            raise InputError(
                f"{where}, range", f"{self.low} to {self.high}", "a low below a high", "Correct the range."
            )
        if self.scale not in ("linear", "log"):
            raise InputError(f"{where}, scale", self.scale, "linear or log", "Use log for times.")
        if self.scale == "log" and self.low <= 0:
            raise InputError(f"{where}, low", plain(self.low), "above 0 on a log scale", "Raise the low end.")
        for name, value in (("low", self.low), ("high", self.high)):
            check_value(value, self.unit, f"{where}, {name}")
        self._check_sizes(where)

    def _check_sizes(self, where: str) -> None:
        if self.heated_mm is not None and (self.unit != "m/min" or not 0 < self.heated_mm <= LONGEST_BELT_MM):
            raise InputError(
                f"{where}, heated length",
                f"{self.heated_mm / 1000:g} m",
                f"above 0 and at most {LONGEST_BELT_MM / 1000:g} m, of a speed in m/min",
                "Measure the belt from where the film comes into the heat to where it leaves it.",
            )
        if self.fixed:  # what follows holds sizes against a range
            return
        span = self.high - self.low
        if not 0 <= self.setting_sd <= MOST_SPANS * span:
            raise InputError(
                f"{where}, setting error",
                self.setting_sd,
                f"0 or more, and at most {MOST_SPANS} times the range ({size_words(MOST_SPANS * span, self.unit)})",
                "Give a standard deviation.",
            )
        if self.trial_sd is not None and not 0 <= self.trial_sd <= MOST_SPANS * span:
            raise InputError(
                f"{where}, setting error of the trial",
                self.trial_sd,
                f"0 or more, and at most {MOST_SPANS} times the range ({size_words(MOST_SPANS * span, self.unit)})",
                "Give a standard deviation, or leave it out: then it is that of production.",
            )
        if self.step is None or not (self.step == 0 or span / FINEST_STEPS <= self.step <= span):
            raise InputError(
                f"{where}, step",
                self.step,
                f"0 or more, not wider than the range ({size_words(span, self.unit)}) and not vanishing in it",
                "Give the smallest change the machine takes, or widen the range.",
            )

    @property
    def trial_error(self) -> float:
        """Setting error while coupons are made: ``trial_sd``, or production's where none is stated."""
        return self.setting_sd if self.trial_sd is None else self.trial_sd

    def seconds(self, speed: float) -> float | None:
        """Time in the heat at a belt speed in m/min: heated length / speed; None where no length is known.

        >>> usual_factor("belt_speed", heated_mm=1200).seconds(0.6)
        120.0
        """
        return seconds_in_heat(self.heated_mm, speed)

    @property
    def is_categorical(self) -> bool:
        """Whether the factor has named levels instead of a range."""
        return bool(self.levels)

    @property
    def is_temperature(self) -> bool:
        """Whether the factor is a temperature in degC."""
        return self.unit == "degC"

    @property
    def symbol(self) -> str:
        """Unit as printed, such as ``°C``."""
        return SYMBOLS[self.unit]


def seconds_in_heat(heated_mm: float | None, speed: float) -> float | None:
    """Time in the heat of a belt, of its heated length and its speed in m/min; None where either is not known."""
    return None if heated_mm is None or speed <= 0 else round(heated_mm * 60 / 1000 / speed, 6)


def value_bounds(unit: str) -> tuple[float, float]:
    """Least and largest setting in a unit that is taken for more than a slip of the hand."""
    return (COLDEST_DEGC, HOTTEST_DEGC) if unit == "degC" else (0.0, MOST)


def check_value(value: float, unit: str, where: str) -> None:
    """Refuse what no machine is set to: below 0 or above a million (in degC, -50 and 1000), or no number.

    Raises
    ------
    InputError
        Saying what is allowed.
    """
    least, most = value_bounds(unit)
    if not least <= value <= most:
        if unit == "degC":
            allowed = f"{show_both(least, unit)} to {show_both(most, unit)}"
            raise InputError(where, show_both(value, unit), allowed, "Correct the number.")
        raise InputError(where, plain(value), f"{plain(least)} to {plain(most)} {unit}", "Correct the number.")


def usual_factor(name: str, **changes: float | str | bool | tuple[str, ...]) -> Factor:
    """Factor of the catalogue with its defaults, some of them changed.

    >>> usual_factor("dwell", high=25).high
    25

    Raises
    ------
    InputError
        If the name is not in `KNOWN_FACTORS`.
    """
    known = KNOWN_FACTORS.get(name)
    if known is None:
        raise InputError("factor", name, ", ".join(KNOWN_FACTORS), "Choose one of these, or describe your own.")
    usual = named(known, "unit", "low", "high", "setting_sd", "hard_to_change", "scale", "levels")
    return Factor(name, **{**usual, **changes})
