"""What is known besides the symptoms, and how it moves the odds of each fault.

Every rule says by what factor the odds of which faults move, and why. The factors are our guesses, no source;
what they rest on is common practice, no source, unless the rule says otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.domain.gauge import GaugeReading
from doe.symptoms.faults import FAULTS

Level = Literal["low", "inside", "high"]

SHOWN_WHEN = ("after cure", "at press", "at peel", "after press", "at stretch", "after wash", "days later")
PLACES = ("whole", "edges", "small parts", "solids", "one place")
FILM_CLASSES = ("hot", "warm", "cold")
FABRICS = ("cotton", "blend", "polyester", "stretch", "nylon")
STORED = ("sealed", "open", "damp", "warm")

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
    fabric : str
        One of `FABRICS`.
    dyed_polyester : bool
    film_class, recipe_film_class : {"hot", "warm", "cold"}
        Peel class of the film in use, and of the recipe's.
    peel_wait_s, gap_s, wash_wait_h, since_stroke_s : float
        Waits: before the peel, between cure and press, between press and wash, between two strokes.
    when, where : str
        When it shows (one of `SHOWN_WHEN`) and where (one of `PLACES`).
    settings : mapping
        Factor to ``low``, ``inside`` or ``high``: current settings against the recipe's window.
    readings : tuple of GaugeReading
        Of this line, the latest of each place.
    p_under, p_over : float
        Of the fitted surfaces at the current settings: how likely a print fails by too little and too much heat.

    Raises
    ------
    InputError
        If a number is outside its range, or a word is none of those named.
    """

    humidity_pct: float | None = None
    powder_months: float | None = None
    powder_stored: str = ""
    film_months: float | None = None
    ink_months: float | None = None
    fabric: str = ""
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
    readings: tuple[GaugeReading, ...] = ()
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
            ("recipe_film_class", FILM_CLASSES),
            ("powder_stored", STORED),
        ):
            value = getattr(self, name)
            if value and value not in allowed:
                raise InputError(name.replace("_", " "), repr(value), ", ".join(allowed), "Choose one of these.")

    def facts(self) -> frozenset[str]:
        """Names of what is known, as checks name what they would only find again."""
        names = {
            name for name in (*LONGEST, "powder_stored", "recipe_film_class") if getattr(self, name) not in (None, "")
        }
        if self.settings:
            names.add("settings")
        machines = {f"gauge_{r.machine}" for r in self.readings}
        if sum(r.machine == "press" for r in self.readings) >= 5:
            machines.add("map_press")
        return frozenset(names | machines)


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
    "dyed polyester",
    "cloth",
    "peeled",
    "gap short",
    "gap kept",
    "washed early",
    "washed late",
    "strokes close",
    "film class",
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


def _fact(code: BecauseCode, **values: str | float | bool | None) -> Finding:
    return Finding(code, values)


def _move(because: Finding, **factors: float) -> Iterator[Shift]:
    for key, factor in factors.items():
        yield Shift(key, factor, because)


def _room(known: Known) -> Iterator[Shift]:
    humidity = known.humidity_pct
    if humidity is None:
        return
    if humidity < 35:
        dry = _fact("room dry", humidity_pct=humidity)
        yield from _move(dry, powder_uneven=4, powder_excess=1.5, moisture=0.3)
    elif humidity > 65:
        damp = _fact("room damp", humidity_pct=humidity)
        yield from _move(damp, moisture=4, powder_spoiled=1.5, powder_uneven=1.3)
    else:
        yield from _move(_fact("room fine", humidity_pct=humidity), moisture=0.6, powder_uneven=0.8)


POWDER_MONTHS = 6.0
"""Open powder is to be used within it (common practice, no source)."""
KEPT_WELL_MONTHS = 6.0
"""Beyond it opened film and ink are doubted (common practice, no source; the makers' sheets say otherwise for some)."""


def _powder(known: Known) -> Iterator[Shift]:
    months, stored = known.powder_months, known.powder_stored
    if months is not None:
        if months > POWDER_MONTHS:
            yield from _move(_fact("powder old", months=months, within=POWDER_MONTHS), powder_spoiled=5)
        elif stored in ("", "sealed"):
            yield from _move(_fact("powder fresh", months=months), powder_spoiled=0.4)
    if stored in ("damp", "open"):
        yield from _move(_fact("powder kept", how=stored), powder_spoiled=3, moisture=1.3, powder_uneven=1.3)
    elif stored == "warm":
        yield from _move(_fact("powder kept", how=stored), powder_spoiled=3)


def _film_and_ink(known: Known) -> Iterator[Shift]:
    if known.film_months is not None:
        if known.film_months > KEPT_WELL_MONTHS:
            yield from _move(_fact("film old", months=known.film_months), moisture=2, ink=1.5, dust=1.5)
        else:
            yield from _move(_fact("film fresh", months=known.film_months), moisture=0.9, dust=0.9)
    if known.ink_months is not None:
        if known.ink_months > KEPT_WELL_MONTHS:
            yield from _move(_fact("ink old", months=known.ink_months), ink=4)
        else:
            yield from _move(_fact("ink fresh", months=known.ink_months), ink=0.7)


def _cloth(known: Known) -> Iterator[Shift]:
    if known.dyed_polyester is not None:
        factor = 2 if known.dyed_polyester else 0.05
        yield from _move(_fact("dyed polyester", there=known.dyed_polyester), dye_moves=factor)
    cloth = _fact("cloth", cloth=known.fabric)
    if known.fabric == "cotton":
        yield from _move(cloth, fabric_finish=0.6, moisture=1.3, dye_moves=0.3)
    elif known.fabric == "nylon":
        yield from _move(cloth, fabric_finish=4)
    elif known.fabric in ("polyester", "stretch"):
        yield from _move(cloth, fabric_shrinks=1.5, moisture=0.7)


_SHORTEST_WAIT_S = {"hot": 3.0, "warm": 5.0, "cold": 30.0}


def _waits(known: Known) -> Iterator[Shift]:
    if known.peel_wait_s is not None and known.film_class:
        least = _SHORTEST_WAIT_S[known.film_class]
        early = known.peel_wait_s < least
        wait = _fact("peeled", wait_s=known.peel_wait_s, film=known.film_class, least_s=least if early else None)
        yield from _move(wait, peel_early=10 if early else 0.2)
    if known.gap_s is not None:
        if known.gap_s < 5:
            yield from _move(_fact("gap short", gap_s=known.gap_s), no_gap=12)
        else:
            gap = _fact("gap kept", gap_s=known.gap_s)
            yield from _move(gap, no_gap=0.5 if known.gap_s < 10 else 0.1)
    if known.wash_wait_h is not None:
        if known.wash_wait_h < 16:
            yield from _move(_fact("washed early", wait_h=known.wash_wait_h), wash_early=12)
        else:
            late = _fact("washed late", wait_h=known.wash_wait_h)
            yield from _move(late, wash_early=3 if known.wash_wait_h < 24 else 0.05)
    if known.since_stroke_s is not None and known.since_stroke_s < 30:
        yield from _move(_fact("strokes close", since_s=known.since_stroke_s), press_not_reached=3)


def _class(known: Known) -> Iterator[Shift]:
    if known.recipe_film_class and known.film_class:
        same = known.recipe_film_class == known.film_class
        film = _fact("film class", film=known.film_class, recipe=known.recipe_film_class)
        yield from _move(film, wrong_class=0.05 if same else 40)


# Factor on the odds, by when and by where it shows. Faults not named stay as they are.
_WHEN: dict[str, dict[str, float]] = {
    "after cure": {
        "powder_uneven": 1.5,
        "powder_excess": 1.3,
        "ink": 1.5,
        "cure_set_low": 1.3,
        "cure_not_reached": 1.3,
        "wash_early": 0.02,
        "peel_fast": 0.05,
        "peel_early": 0.05,
        "press_not_reached": 0.1,
        "press_set_low": 0.1,
        "press_cold_spot": 0.1,
        "press_runs_hot": 0.1,
        "press_set_high": 0.1,
    },
    "at peel": {"peel_fast": 1.5, "peel_early": 1.5, "wrong_class": 1.5, "wash_early": 0.02},
    "at stretch": {
        "cure_set_high": 1.5,
        "cure_runs_hot": 1.5,
        "powder_excess": 1.3,
        "press_not_reached": 1.2,
        "wash_early": 0.02,
    },
    "after wash": {"wash_early": 2, "no_second_press": 1.3, "peel_fast": 0.3, "powder_excess": 0.5},
    "days later": {"dye_moves": 3, "moisture": 1.5, "peel_fast": 0.2, "powder_missing": 0.2, "dust": 0.3},
}
_WHERE: dict[str, dict[str, float]] = {
    "one place": {
        "press_cold_spot": 8,
        "pressure_low": 2.5,
        "dust": 1.5,
        "press_not_reached": 0.3,
        "press_set_low": 0.2,
        "press_set_high": 0.3,
        "press_runs_hot": 0.4,
        "cure_set_low": 0.3,
        "cure_not_reached": 0.6,
        "powder_spoiled": 0.4,
        "wrong_class": 0.3,
        "wash_early": 0.3,
    },
    "whole": {
        "press_cold_spot": 0.1,
        "pressure_low": 0.6,
        "dust": 0.3,
        "press_not_reached": 1.3,
        "press_set_low": 1.3,
        "powder_uneven": 0.6,
    },
    "edges": {"peel_fast": 1.5, "peel_early": 1.5, "no_second_press": 1.5, "powder_uneven": 1.3},
    "small parts": {"powder_thin": 2, "powder_coarse": 2, "peel_fast": 2, "press_cold_spot": 0.5},
    "solids": {"moisture": 2, "no_gap": 2, "ink": 1.5, "powder_thin": 0.6},
}


def _when_and_where(known: Known) -> Iterator[Shift]:
    yield from _move(_fact("shows when", when=known.when), **_WHEN.get(known.when, {}))
    yield from _move(_fact("shows where", where=known.where), **_WHERE.get(known.where, {}))


_DIAL = {"cure_temp": "cure", "cure_time": "cure", "press_temp": "press", "dwell": "press"}


def _dials(known: Known) -> Iterator[Shift]:
    for stage in ("cure", "press"):
        levels = {level for name, level in known.settings.items() if _DIAL.get(name) == stage}
        if not levels:
            continue
        for level in ("low", "high"):
            beyond = level in levels
            set_to = _fact("set off", stage=stage, way=level) if beyond else _fact("set right", stage=stage)
            yield from _move(set_to, **{f"{stage}_set_{level}": 60 if beyond else 0.03})


# Measured minus set: about N(0, 3) degC on a sound machine, N(-12, 6) and N(12, 6) on one that is off;
# centre minus coldest place: about N(4, 3) on a sound platen, N(14, 6) with a cold place. Our guesses, no source;
# a good platen is within 3 to 5 degC (common practice, no source).
_SOUND, _OFF, _EVEN, _SPOT = (0.0, 3.0), (12.0, 6.0), (4.0, 3.0), (14.0, 6.0)


def _ratio(value: float, off: tuple[float, float], sound: tuple[float, float]) -> float:
    """Likelihood ratio of two normal distributions, held within 1/50 to 50."""
    logs = [-0.5 * ((value - mean) / sd) ** 2 - math.log(sd) for mean, sd in (off, sound)]
    return math.exp(max(-math.log(50), min(math.log(50), logs[0] - logs[1])))


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def _gauges(known: Known) -> Iterator[Shift]:
    for machine, stage in (("press", "press"), ("oven", "cure")):
        off = {r.place: r.measured_degc - r.set_degc for r in known.readings if r.machine == machine}
        if not off:
            continue
        middle = off.get("centre", _mean(list(off.values())))
        gauged = _fact("machine off", machine=machine, off_delta_degc=middle)
        yield Shift(f"{stage}_not_reached", _ratio(-middle, _OFF, _SOUND), gauged)
        yield Shift(f"{stage}_runs_hot", _ratio(middle, _OFF, _SOUND), gauged)
        if machine == "press" and len(off) >= 5:
            drop = middle - min(off.values())
            place = min(off, key=lambda p: off[p])
            spot = _fact("place cold", place=place, drop_delta_degc=drop)
            yield Shift("press_cold_spot", _ratio(drop, _SPOT, _EVEN), spot)


def _surfaces(known: Known) -> Iterator[Shift]:
    """Near the cool cliff a small loss of heat is enough, near the hot one a small excess."""
    if known.p_under is None or known.p_over is None:
        return
    # 0.02 on either side: surfaces fitted to 20 coupons know no better
    share = (known.p_under + 0.02) / (known.p_under + known.p_over + 0.04)
    because = _fact("surfaces lean", side="under" if share > 0.5 else "over")
    for f in FAULTS:
        if f.side == "under":
            yield Shift(f.key, 2 * share, because)
        elif f.side == "over":
            yield Shift(f.key, 2 * (1 - share), because)
