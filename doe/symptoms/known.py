"""What is known besides the symptoms, and how it moves the odds of each fault.

By what factor a rule moves the odds of which faults stands in `templates/tables/odds.toml`. The factors are our
guesses, no source; the rules are common practice, no source, unless one says otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import fmean
from typing import Literal

from doe.domain.errors import InputError
from doe.domain.factors import KNOWN_FACTORS
from doe.domain.finding import Finding, Value
from doe.domain.gauge import GaugeReading
from doe.domain.jsonable import packaged_table
from doe.domain.materials import CLASS_WORDS, FACTS, GONE_COLD_S, SHORTEST_PEEL_S, heard
from doe.domain.said import meant
from doe.symptoms.catalogue import FAULTS

Level = Literal["low", "inside", "high"]
HeldTo = Literal["recipe", "limits", "usual"]
"""What a setting was held against: a recipe, else the limits of the data sheets, else what the trade calls usual."""

SHOWN_WHEN = ("after cure", "at press", "at peel", "after press", "at stretch", "after wash", "days later")
PLACES = ("whole", "edges", "small parts", "solids", "one place")
FILM_CLASSES = ("hot", "warm", "cold")
FABRICS = ("cotton", "blend", "polyester", "stretch", "nylon")
STORED = ("sealed", "open", "damp", "warm")
FINISHES = ("repellent", "coated", "softened", "brushed")
WEIGHTS = ("light", "heavy")
STIRRED = ("daily", "weekly", "seldom")

_SAID_AS: Mapping[str, tuple[str, str]] = {
    "white_stirred": ("ink", "stirred"),
    "powder_stored": ("powder", "kept"),
    "fabric": ("fabric", "kind"),
    "recipe_fabric": ("fabric", "kind"),
    "film_class": ("film", "peel"),
    "recipe_film_class": ("film", "peel"),
    "cloth_weight": ("fabric", "weight"),
}
"""Fields that say what a fact of a material says, and which: the same words are read for it."""

LONGEST = {
    "humidity_pct": 100.0,
    "powder_months": 600.0,
    "film_months": 600.0,
    "ink_months": 600.0,
    "peel_wait_s": 86_400.0,
    "gap_s": 1e7,
    "wash_wait_h": 100_000.0,
    "since_stroke_s": 1e7,
}


@dataclass(frozen=True)
class Known:
    """What is known about a case; None or empty where nothing is.

    Attributes
    ----------
    humidity_pct : float
        Of the room, in percent.
    powder_months, powder_stored
        Months since the packet was opened, and how it was kept (one of `STORED`).
    film_months, ink_months : float
        Months since the film's packet or the ink's bottle was opened.
    white_stirred : str
        How often the white ink is (one of `STIRRED`).
    fabric, recipe_fabric : str
        One of `FABRICS`: of the blank in use, and of the recipe's.
    finish, cloth_weight : str
        Of the blank in use (one of `FINISHES`, of `WEIGHTS`).
    dyed_polyester : bool
    film_class, recipe_film_class : {"hot", "warm", "cold"}
        Peel class of the film in use, and of the recipe's.
    peel_wait_s, gap_s, wash_wait_h, since_stroke_s : float
        Waits: before the peel, between cure and press, between press and wash, between two strokes.
    when, where : str
        When it shows (one of `SHOWN_WHEN`) and where (one of `PLACES`).
    settings : mapping
        Factor to ``low``, ``inside`` or ``high``: current settings against the recipe's window.
    held_to : mapping
        Factor to what its setting was held against, where that is not the recipe.
    readings : tuple of GaugeReading
        Of this line, in date, the latest of each place.
    made_up_for : mapping
        Machine to how far its dial is set above the surface wanted, in degC, because a gauge showed that it has to be.
    p_under, p_over : float
        Of the fitted surfaces at the current settings: how likely a print fails by too little and too much heat.

    Raises
    ------
    InputError
        If a number is outside its range, or a word is none of those named, nor one that a stack's materials are
        described by for the same fact.
    """

    humidity_pct: float | None = None
    powder_months: float | None = None
    powder_stored: str = ""
    film_months: float | None = None
    ink_months: float | None = None
    white_stirred: str = ""
    fabric: str = ""
    recipe_fabric: str = ""
    finish: str = ""
    cloth_weight: str = ""
    dyed_polyester: bool | None = None
    film_class: str = ""
    recipe_film_class: str = ""
    peel_wait_s: float | None = None
    gap_s: float | None = None
    wash_wait_h: float | None = None
    since_stroke_s: float | None = None
    when: str = ""
    where: str = ""
    settings: Mapping[str, Level] = field(default_factory=dict)
    held_to: Mapping[str, HeldTo] = field(default_factory=dict)
    readings: tuple[GaugeReading, ...] = ()
    made_up_for: Mapping[str, float] = field(default_factory=dict)
    p_under: float | None = None
    p_over: float | None = None

    def __post_init__(self) -> None:
        for name, most in LONGEST.items():
            value = getattr(self, name)
            if value is not None and not 0 <= value <= most:
                raise InputError(name.replace("_", " "), value, f"0 to {most:g}", "Correct it, or leave it out.")
        for name, allowed in (
            ("when", SHOWN_WHEN),
            ("where", PLACES),
            ("film_class", FILM_CLASSES),
            ("fabric", FABRICS),
            ("recipe_fabric", FABRICS),
            ("recipe_film_class", FILM_CLASSES),
            ("powder_stored", STORED),
            ("finish", FINISHES),
            ("cloth_weight", WEIGHTS),
            ("white_stirred", STIRRED),
        ):
            value = getattr(self, name)
            if value and value not in allowed:
                object.__setattr__(self, name, _read(name, value, allowed))

    def facts(self) -> frozenset[str]:
        """Names of what is known, as checks name what they would only find again."""
        names = {
            name for name in (*LONGEST, "powder_stored", "recipe_film_class") if getattr(self, name) not in (None, "")
        }
        if any(name not in self.held_to for name in self.settings):
            names.add("settings")
        machines = {f"gauge_{r.machine}" for r in self.readings}
        if sum(r.machine == "press" for r in self.readings) >= 5:
            machines.add("map_press")
        return frozenset(names | machines)


def _read(name: str, said: str, allowed: Sequence[str]) -> str:
    """The word of a field that somebody's own words mean.

    Raises
    ------
    InputError
        If they mean none of those allowed, or more than one.
    """
    if name == "finish":
        found = [str(heard("fabric", name, said))]
    elif name in _SAID_AS:
        part, fact = _SAID_AS[name]
        called = FACTS[part][fact].means or CLASS_WORDS.get(fact, {})
        found = meant(said, {one: called.get(one, ()) for one in allowed})
    else:
        found = []
    if len(found) != 1 or found[0] not in allowed:
        raise InputError(name.replace("_", " "), repr(said), ", ".join(allowed), "Choose one of these.")
    return found[0]


BecauseCode = Literal[
    "room dry",
    "room damp",
    "room fine",
    "powder old",
    "powder fresh",
    "powder kept",
    "film old",
    "film fresh",
    "ink old",
    "ink fresh",
    "white stirred",
    "finish",
    "cloth weight",
    "dyed polyester",
    "cloth",
    "peeled",
    "gap short",
    "gap kept",
    "washed early",
    "washed late",
    "strokes close",
    "film class",
    "cloth differs",
    "shows when",
    "shows where",
    "set off",
    "set right",
    "machine off",
    "place cold",
    "surfaces lean",
]
"""Codes of `Shift.because`; values are fields of `Known`, and temperature differences in degC."""


@dataclass(frozen=True)
class Shift:
    """The odds of a fault times ``factor``, and why, by `BecauseCode`."""

    fault: str
    factor: float
    because: Finding


def shifts(known: Known) -> tuple[Shift, ...]:
    """Every move of the odds that follows from what is known."""
    rules = (_room, _powder, _film_and_ink, _cloth, _waits, _class, _when_and_where, _dials, _gauges, _surfaces)
    return tuple(shift for rule in rules for shift in rule(known))


_MOVES: Mapping[str, Mapping[str, float]] = packaged_table("odds")
"""By a code, or a code and how it is: fault to the factor on its odds. Faults not named stay as they are."""


def _move(code: BecauseCode, row: str = "", /, **values: Value) -> Iterator[Shift]:
    because = Finding(code, values)
    for fault, factor in _MOVES.get(f"{code} {row}".strip(), {}).items():
        yield Shift(fault, factor, because)


def _room(known: Known) -> Iterator[Shift]:
    humidity = known.humidity_pct
    if humidity is not None:
        code: BecauseCode = "room dry" if humidity < 35 else "room damp" if humidity > 65 else "room fine"
        yield from _move(code, humidity_pct=humidity)


POWDER_MONTHS = 6.0
"""Open powder is to be used within it (common practice, no source)."""
KEPT_WELL_MONTHS = 6.0
"""Beyond it opened film and ink are doubted (common practice, no source; the makers' sheets say otherwise for some)."""


def _powder(known: Known) -> Iterator[Shift]:
    months, stored = known.powder_months, known.powder_stored
    if months is not None:
        if months > POWDER_MONTHS:
            yield from _move("powder old", months=months, within=POWDER_MONTHS)
        elif stored in ("", "sealed"):
            yield from _move("powder fresh", months=months)
    yield from _move("powder kept", stored, how=stored)


def _film_and_ink(known: Known) -> Iterator[Shift]:
    if known.film_months is not None:
        yield from _move("film old" if known.film_months > KEPT_WELL_MONTHS else "film fresh", months=known.film_months)
    if known.ink_months is not None:
        yield from _move("ink old" if known.ink_months > KEPT_WELL_MONTHS else "ink fresh", months=known.ink_months)
    yield from _move("white stirred", known.white_stirred, how=known.white_stirred)


def _cloth(known: Known) -> Iterator[Shift]:
    if known.dyed_polyester is not None:
        yield from _move("dyed polyester", "yes" if known.dyed_polyester else "no", there=known.dyed_polyester)
    yield from _move("cloth", known.fabric, cloth=known.fabric)
    yield from _move("finish", known.finish, finish=known.finish)
    yield from _move("cloth weight", known.cloth_weight, weight=known.cloth_weight)
    if known.fabric and known.recipe_fabric and known.fabric != known.recipe_fabric:
        yield from _move("cloth differs", cloth=known.fabric, recipe=known.recipe_fabric)


def _waits(known: Known) -> Iterator[Shift]:
    film = known.film_class or known.recipe_film_class
    if known.peel_wait_s is not None and film:
        least = SHORTEST_PEEL_S[film]
        early = known.peel_wait_s < least
        late = film == "hot" and known.peel_wait_s > GONE_COLD_S
        yield from _move(
            "peeled",
            "early" if early else "late" if late else "in time",
            wait_s=known.peel_wait_s,
            film=film,
            least_s=least if early else None,
            most_s=GONE_COLD_S if late else None,
        )
    if known.gap_s is not None:
        if known.gap_s < 5:
            yield from _move("gap short", gap_s=known.gap_s)
        else:
            yield from _move("gap kept", "barely" if known.gap_s < 10 else "well", gap_s=known.gap_s)
    if known.wash_wait_h is not None:
        if known.wash_wait_h < 16:
            yield from _move("washed early", wait_h=known.wash_wait_h)
        else:
            yield from _move("washed late", "" if known.wash_wait_h >= 24 else "barely", wait_h=known.wash_wait_h)
    if known.since_stroke_s is not None and known.since_stroke_s < 30:
        yield from _move("strokes close", since_s=known.since_stroke_s)


def _class(known: Known) -> Iterator[Shift]:
    film, recipe = known.film_class, known.recipe_film_class
    if recipe and film:
        yield from _move("film class", "same" if recipe == film else "other", film=film, recipe=recipe)


def _when_and_where(known: Known) -> Iterator[Shift]:
    yield from _move("shows when", known.when, when=known.when)
    yield from _move("shows where", known.where, where=known.where)


_DIAL = {
    "cure_temp": "cure",
    "cure_time": "cure",
    "belt_speed": "cure",
    "hover_gap": "cure",
    "press_temp": "press",
    "dwell": "press",
}
_LESS_HEAT: Mapping[Level, Level] = {"low": "high", "inside": "inside", "high": "low"}


_BOTH_DIALS = 2
_OFF_FACTOR: Mapping[HeldTo, float] = {"recipe": 60, "limits": 60, "usual": 20}


def _dials(known: Known) -> Iterator[Shift]:
    """Only a recipe calls a setting inside; limits and usual bands speak where it is not."""
    for stage in ("cure", "press"):
        own = {
            name: _LESS_HEAT[level] if KNOWN_FACTORS[name].cools else level  # a faster belt is less heat
            for name, level in known.settings.items()
            if _DIAL.get(name) == stage
        }
        for level in ("low", "high"):
            against = [known.held_to.get(name, "recipe") for name, there in own.items() if there == level]
            if against:
                worst = max(against, key=_OFF_FACTOR.__getitem__)
                off = Finding("set off", {"stage": stage, "way": level, "against": worst})
                yield Shift(f"{stage}_set_{level}", _OFF_FACTOR[worst], off)
            elif own:
                clears = 0.03 if len(own) >= _BOTH_DIALS else 0.1
                yield Shift(f"{stage}_set_{level}", clears, Finding("set right", {"stage": stage}))


# Measured minus set: about N(0, 3) degC on a sound machine, N(-12, 6) and N(12, 6) on one that is off;
# centre minus coldest place: about N(4, 3) on a sound platen, N(14, 6) with a cold place. Our guesses, no source;
# a good platen is within 3 to 5 degC (common practice, no source).
_SOUND, _OFF, _EVEN, _SPOT = (0.0, 3.0), (12.0, 6.0), (4.0, 3.0), (14.0, 6.0)


def _ratio(value: float, off: tuple[float, float], sound: tuple[float, float]) -> float:
    """Likelihood ratio of two normal distributions, held within 1/50 to 50, that never falls as the value rises.

    Of a wide and a narrow normal the ratio turns up again far on the other side: there it is held at its least.
    """
    precise = [1 / sd**2 for _, sd in (off, sound)]
    least_at = (off[0] * precise[0] - sound[0] * precise[1]) / (precise[0] - precise[1])
    value = max(value, least_at)
    logs = [-0.5 * ((value - mean) / sd) ** 2 - math.log(sd) for mean, sd in (off, sound)]
    return math.exp(max(-math.log(50), min(math.log(50), logs[0] - logs[1])))


def _gauges(known: Known) -> Iterator[Shift]:
    for machine, stage in (("press", "press"), ("oven", "cure")):
        made_up_for = known.made_up_for.get(machine, 0.0)
        off = {r.spot: r.measured_degc - r.set_degc + made_up_for for r in known.readings if r.machine == machine}
        if not off:
            continue
        middle = off.get("centre", fmean(off.values()))
        gauged = Finding("machine off", {"machine": machine, "off_delta_degc": middle})
        yield Shift(f"{stage}_not_reached", _ratio(-middle, _OFF, _SOUND), gauged)
        yield Shift(f"{stage}_runs_hot", _ratio(middle, _OFF, _SOUND), gauged)
        if machine == "press" and len(off) >= 5:
            drop = middle - min(off.values())
            place = min(off, key=lambda p: off[p])
            spot = Finding("place cold", {"place": place, "drop_delta_degc": drop})
            yield Shift("press_cold_spot", _ratio(drop, _SPOT, _EVEN), spot)


def _surfaces(known: Known) -> Iterator[Shift]:
    """Near the cool cliff a small loss of heat is enough, near the hot one a small excess."""
    if known.p_under is None or known.p_over is None:
        return
    # 0.02 on either side: surfaces fitted to 20 coupons know no better
    share = (known.p_under + 0.02) / (known.p_under + known.p_over + 0.04)
    because = Finding("surfaces lean", {"side": "under" if share > 0.5 else "over"})
    for f in FAULTS:
        if f.side == "under":
            yield Shift(f.key, 2 * share, because)
        elif f.side == "over":
            yield Shift(f.key, 2 * (1 - share), because)
