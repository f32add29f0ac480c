"""Diagnosis of a failing print: facts out of the book, the diagnosis, the case into the book."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from statistics import fmean
from types import MappingProxyType
from typing import Any, Literal

import pandas as pd

from doe.acts.base import RECOMMEND, today, usual_seed
from doe.acts.recipe.recipes import in_force_for
from doe.acts.study.fits import answer_from
from doe.acts.study.kept_draws import kept_draws
from doe.acts.study.symptom_points import with_points
from doe.assure.gauges.dates import GaugeStatus, judge_gauge
from doe.assure.gauges.line import gauge_line
from doe.book.book import Book
from doe.book.records import ShopNote, StudyRecord
from doe.domain.errors import InputError
from doe.domain.factors import Factor
from doe.domain.gauge import MACHINE_KINDS, GaugeReading, in_force
from doe.domain.jsonable import named
from doe.domain.limits import Limits
from doe.domain.materials import facts_for_diagnosis
from doe.domain.plan_kinds import is_as_dialled
from doe.domain.recipe import KeptRecipe
from doe.domain.recipe import Recipe as Released
from doe.domain.said import said_check
from doe.domain.stack import Stack
from doe.setpoint.verdict import contradicted
from doe.surfaces.fitted import fit
from doe.symptoms.advice import Advice, ReferenceSettings, advise, machine_of
from doe.symptoms.catalogue import fault
from doe.symptoms.diagnosis import Case, Diagnosis, Evidence, diagnose, shop_odds
from doe.symptoms.known import LONGEST, HeldTo, Known, Level

Given = Literal["dialled", "study"]
Back = Literal["", "passed", "failed"]
"""How the one coupon back at the recipe came out after the fault was mended; ``""``: not made yet."""

CASE = "case"
"""Topic of the notes that hold the shop's cases."""
NO_STUDY = "no study"
_TOLD = (
    *LONGEST,
    "powder_stored",
    "white_stirred",
    "fabric",
    "recipe_fabric",
    "finish",
    "cloth_weight",
    "dyed_polyester",
    "film_class",
    "recipe_film_class",
    "when",
    "where",
)
"""Fields of `Known` that are kept with a case, where they are known."""


@dataclass(frozen=True)
class Setting:
    """What the book knows around a case.

    ``beyond`` names current settings that the limits do not permit; ``released`` and ``revision`` the recipe in force
    that the settings are held against, ``""`` and 0 where none is and the last answer stands in. ``readings`` are those
    in date; ``not_read`` says of which machine they are not; ``reached`` is what the surfaces come to by them, degC.
    ``materials`` is what the facts of the materials tell; ``lots`` names the lot of each of them.
    """

    name: str = NO_STUDY
    recipe: ReferenceSettings = field(default_factory=ReferenceSettings)
    current: Mapping[str, float] = field(default_factory=dict)
    levels: Mapping[str, Level] = field(default_factory=dict)
    held_to: Mapping[str, HeldTo] = field(default_factory=dict)
    readings: tuple[GaugeReading, ...] = ()
    not_read: tuple[GaugeStatus, ...] = ()
    made_up_for: Mapping[str, float] = field(default_factory=dict)
    reached: Mapping[str, float] = field(default_factory=dict)
    dyed_polyester: bool | None = None
    materials: Mapping[str, Any] = field(default_factory=dict)
    lots: Mapping[str, str] = field(default_factory=dict)
    p_under: float | None = None
    p_over: float | None = None
    beyond: tuple[str, ...] = ()
    released: str = ""
    revision: int = 0

    def added_to(self, known: Known) -> Known:
        """What is known, with what the book knows; of the materials what a person says counts first."""
        said = {name: value for name, value in self.materials.items() if getattr(known, name) in (None, "")}
        return replace(
            known,
            **said,
            recipe_fabric=known.recipe_fabric or self.materials.get("fabric", ""),
            dyed_polyester=self.dyed_polyester,
            settings=self.levels,
            **named(self, "held_to", "readings", "made_up_for", "p_under", "p_over"),
        )


def setting_of(
    book: Book | None,
    key: str | int | None,
    current: Mapping[str, float],
    *,
    ask_surfaces: bool = True,
    kept: KeptRecipe | None = None,
    given: Given = "dialled",
) -> Setting:
    """Recipe, limits, gauge readings and fitted surfaces of a study, held against the current settings.

    The recipe is the one in force that came from the study, else its last answer; ``kept`` names one; settings it does
    not hold are judged by the limits and by what is usual. ``given`` says
    what the current settings are: dialled in by somebody, so that they are held against the dial settings of a recipe,
    or those of a coupon of the study, in the study's own terms. Without ``ask_surfaces`` nothing is fitted, which takes
    a second where there are enough coupons.
    """
    if book is None or key is None:
        return Setting(current=current, **_held(ReferenceSettings(), current))
    record = book.study(key)
    kept = in_force_for(book, record.id) if kept is None else kept
    recipe = _last_answer(book, record) if kept is None else recipe_in_use(kept.recipe, record.study.limits, given)
    off = {} if kept is None else _dial_less_surface(kept.recipe)
    less = {} if given == "study" or kept is None else off
    asked = {name: value - less.get(name, 0.0) for name, value in {**recipe.settings, **current}.items()}
    if kept is None:
        off = _dialled_less_asked(book, record, asked)
    readings, not_read = readings_in_date(book.gauge_readings(record.line.name), today())
    made_up_for: dict[str, float] = {machine_of(name): delta for name, delta in off.items()}
    dials = {name: asked[name] + off.get(name, 0.0) for name in current if name.endswith("_temp")}
    p_under, p_over = _sides(book, record, asked) if ask_surfaces else (None, None)
    slack = {f.name: f.setting_sd for f in record.study.numeric}
    return Setting(
        record.name,
        recipe,
        current,
        **_held(recipe, current, slack),
        readings=readings,
        not_read=not_read,
        made_up_for=made_up_for,
        reached=_reached(readings, dials),
        dyed_polyester=record.stack.dyed_polyester,
        lots=_lots(record.stack),
        materials=facts_for_diagnosis(record.stack, today()),
        p_under=p_under,
        p_over=p_over,
        released="" if kept is None else kept.recipe.name,
        revision=0 if kept is None else kept.recipe.revision,
    )


def _lots(stack: Stack) -> dict[str, str]:
    parts = {"fabric": stack.fabric, "film": stack.film, "powder": stack.powder, "ink": stack.ink}
    return {part: made.lot for part, made in parts.items() if made is not None and made.lot}


def _held(
    recipe: ReferenceSettings, current: Mapping[str, float], slack: Mapping[str, float] = MappingProxyType({})
) -> dict[str, Any]:
    """Levels of the settings in use, what they were held against where it is no recipe, and which are not permitted."""
    judged = {name: recipe.level(name, value, slack.get(name, 0.0)) for name, value in current.items()}
    limits = replace(recipe, window={})
    return {
        "levels": {name: found[0] for name, found in judged.items() if found},
        "held_to": {name: found[1] for name, found in judged.items() if found and found[1] != "recipe"},
        "beyond": tuple(name for name, value in current.items() if not limits.is_permitted(name, value)),
    }


def readings_in_date(
    readings: Sequence[GaugeReading], on: date
) -> tuple[tuple[GaugeReading, ...], tuple[GaugeStatus, ...]]:
    """The latest reading of each place that may still be relied on, and the machines whose readings are out of date."""
    latest: dict[tuple[str, str], GaugeReading] = {}
    old = []
    for machine in MACHINE_KINDS:
        own = [r for r in readings if r.machine == machine]
        status = judge_gauge(own, machine, on=on)
        if status.state == "out of date":
            old.append(status)
        else:
            latest |= {(machine, r.spot): r for r in in_force(own)}
    return tuple(latest.values()), tuple(old)


def _reached(readings: Sequence[GaugeReading], dials: Mapping[str, float]) -> dict[str, float]:
    """What the surfaces come to at these dial settings, by what the gauge read at the centre, else at all places."""
    found = {}
    for name, dial in dials.items():
        off = {r.spot: r.measured_degc - r.set_degc for r in readings if r.machine == machine_of(name)}
        if off:
            found[name] = dial + off.get("centre", fmean(off.values()))
    return found


def _dialled_less_asked(book: Book, record: StudyRecord, asked: Mapping[str, float]) -> dict[str, float]:
    """How far dials stood above the surface asked for, by what gauges had shown when the last coupons were planned."""
    rounds = book.plan_info(record.id).rounds
    planned = max((made.made_at for made in rounds), default=None)
    if planned is None:
        return {}
    readings = book.gauge_readings(record.line.name)
    shown = [r for r in readings if r.taken_at is not None and r.taken_at <= planned]
    gauged = gauge_line(record.line, shown, on=planned.date(), as_dialled=is_as_dialled(rounds))
    at = {f.name: asked.get(f.name, (f.low + f.high) / 2) for f in record.study.numeric if f.is_temperature}
    found = {name: gauged.dial(name, value) for name, value in at.items()}
    return {name: dial.dial_degc - at[name] for name, dial in found.items() if dial is not None}


def recipe_in_use(released: Released, limits: Limits | None, given: Given = "dialled") -> ReferenceSettings:
    """A released recipe as people set it, by the dial where a gauge tells it; or in the terms of its study."""
    by_dial = given == "dialled" or released.as_dialled
    settings, window = {}, {}
    for s in released.settings:
        if isinstance(s.surface, str):
            continue
        on_dial = by_dial and s.dial is not None
        settings[s.factor] = s.dial if by_dial and s.dial is not None else s.surface
        low, high = (s.dial_low, s.dial_high) if on_dial else (s.window_low, s.window_high)
        if low is not None and high is not None:
            window[s.factor] = (low, high)
    heated = next((s.heated_mm for s in released.settings if s.heated_mm is not None), None)
    return ReferenceSettings(settings, window, limits, heated)


def _dial_less_surface(released: Released) -> dict[str, float]:
    """How far the dial of a released temperature stands above its surface; the surfaces know the latter."""
    if released.as_dialled:
        return {}
    pairs = [(s.factor, s.dial, s.surface) for s in released.settings if not isinstance(s.surface, str)]
    return {name: dial - surface for name, dial, surface in pairs if dial is not None}


def _last_answer(book: Book, record: StudyRecord) -> ReferenceSettings:
    kept = book.latest_analysis(record.id, RECOMMEND)
    heated = next((f.heated_mm for f in record.study.numeric if f.heated_mm is not None), None)
    if kept is None:
        return ReferenceSettings(record.study.settings, limits=record.study.limits, heated_mm=heated)
    answer = answer_from(kept.payload)
    numeric = {f.name for f in record.study.numeric}
    settings = {name: float(value) for name, value in answer.setpoint.items() if name in numeric}
    window = {}
    if answer.window is not None:
        bounds = answer.window.bounds.astype(float)
        window = {str(n): (float(bounds["low"][n]), float(bounds["high"][n])) for n in bounds.index}
    return ReferenceSettings(settings, window, record.study.limits, heated)


def _sides(book: Book, record: StudyRecord, settings: Mapping[str, float]) -> tuple[float | None, float | None]:
    """How likely prints fail by too little and too much heat at these settings; None where no map can be trusted."""
    numeric: tuple[Factor, ...] = record.study.numeric
    if record.study.known is not None:  # nothing was fitted, nor can be
        return None, None
    if record.study.categorical or any(f.name not in settings for f in numeric):
        return None, None
    results = book.results(record.id)
    if results.empty or results["passed"].notna().sum() < 12:  # fewer rest on what windows usually look like
        return None, None
    surfaces = fit(record.study, with_points(results), seed=usual_seed(record.first_name), sampling=kept_draws)
    if contradicted(surfaces):
        return None, None
    predicted = surfaces.predict(pd.DataFrame([{f.name: settings[f.name] for f in numeric}]))
    return float(predicted["p_under"].iloc[0]), float(predicted["p_over"].iloc[0])


@dataclass(frozen=True)
class Diagnosed:
    """A diagnosis with its evidence and advice."""

    evidence: Evidence
    diagnosis: Diagnosis
    advice: Advice


def diagnose_case(book: Book | None, evidence: Evidence, setting: Setting) -> Diagnosed:
    """Diagnosis by the shop's odds; by those every shop starts with where there is no book.

    A case whose coupon back at the recipe failed teaches nothing: its cause was not it, or not all of it.
    """
    cases = [case_of(n) for n in book.notes(CASE) if n.data.get("back") != "failed"] if book is not None else []
    found = diagnose(evidence, shop_odds(cases))
    return Diagnosed(evidence, found, advise(found, evidence, setting.recipe, setting.current, setting.reached))


def keep_case(
    book: Book,
    setting: Setting,
    evidence: Evidence,
    cause: str,
    *,
    coupon: str = "",
    back: Back = "",
    note: str = "",
) -> int:
    """Store what a case turned out to be, with all that was known; ``none`` for a cause that is not on the list.

    ``coupon`` names the coupon it was seen on, if it was one; ``back`` says how the coupon back at the recipe came out.
    """
    key = "" if cause.strip().lower() in ("", "none") else fault(cause).key
    known = {name: getattr(evidence.known, name) for name in _TOLD}
    more = {
        "coupon": coupon,
        "back": back,
        "note": note.strip(),
        "known": {name: value for name, value in known.items() if value not in (None, "")},
        "set": dict(setting.current),
        "lots": dict(setting.lots),
        "gauges": [named(r, "machine", "place", "set_degc", "measured_degc") for r in evidence.known.readings],
    }
    data = {**named(evidence, "symptoms", "absent", "found"), "cause": key}
    return book.save_note(CASE, setting.name, data | {name: value for name, value in more.items() if value})


def came_back(text: str, where: str = "coupon") -> Back:
    """How the coupon back at the recipe came out, as a person says it.

    Raises
    ------
    InputError
        If it is neither passed, failed, nor nothing.
    """
    if not text.strip():
        return ""
    return "passed" if said_check(text.strip(), where) else "failed"


def open_cases(book: Book) -> tuple[ShopNote, ...]:
    """Cases of which no coupon back at the recipe was told yet, the newest first."""
    return tuple(n for n in book.notes(CASE) if not n.data.get("back"))[::-1]


def case_number(note: ShopNote) -> int:
    """The number of a case: that under which it was first kept, whatever was said of it since."""
    return int(note.data.get("case", note.id))


def numbered(book: Book, number: int, where: str = "case") -> ShopNote:
    """The case of that number as it stands.

    Raises
    ------
    InputError
        If there is none; it lists the newest.
    """
    notes = book.notes(CASE)
    found = next((n for n in notes if number in (case_number(n), n.id)), None)
    if found is None:
        known = ", ".join(str(case_number(n)) for n in notes[-10:]) or "none"
        raise InputError(where, number, known, "See doe diagnose --past.")
    return found


def close_case(book: Book, number: int, back: Back, why: str, note: str = "") -> int:
    """Say how the one coupon back at the recipe came out; the case is kept anew with all that was known of it.

    ``why``: what the book says of the entry that stood before. Returns the number of the case, which it keeps.

    Raises
    ------
    InputError
        If there is no such case, it is closed already, or nothing is said of the coupon.
    """
    found = numbered(book, number)
    if found.data.get("back") == "passed":
        raise InputError(f"case {number}", "closed already", "an open case", "See doe diagnose --past.")
    if not back:
        raise InputError(f"case {number}", "no coupon", "passed or failed", "Make one coupon back at the recipe.")
    said = "; ".join(filter(None, (found.data.get("note", ""), note.strip())))
    with book.writing():
        book.withdraw_note(found.id, why)
        more = {"back": back, "case": case_number(found)} | ({"note": said} if said else {})
        book.save_note(CASE, found.name, {**found.data, **more})
    return case_number(found)


def case_of(note: ShopNote) -> Case:
    """Case of a note."""
    data: Mapping[str, Any] = note.data
    return Case(tuple(data["symptoms"]), str(data["cause"]), tuple(data.get("absent", ())), dict(data.get("found", {})))
