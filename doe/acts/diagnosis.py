"""Diagnosis of a failing print: facts out of the book, the diagnosis, the case into the book."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import pandas as pd

from doe.acts.base import RECOMMEND, usual_seed
from doe.acts.recipe.recipes import in_force_for
from doe.acts.study.fits import answer_from
from doe.book.book import Book
from doe.book.records import ShopNote, StudyRecord
from doe.domain.factors import Factor
from doe.domain.gauge import GaugeReading
from doe.domain.jsonable import named
from doe.domain.limits import Limits
from doe.domain.recipe import KeptRecipe
from doe.domain.recipe import Recipe as Released
from doe.surfaces.fitted import fit
from doe.symptoms.advice import Advice, ReferenceSettings, advise
from doe.symptoms.catalogue import fault
from doe.symptoms.diagnosis import Case, Diagnosis, Evidence, diagnose, shop_odds
from doe.symptoms.known import Level

Given = Literal["dialled", "study"]

CASE = "case"
"""Topic of the notes that hold the shop's cases."""
NO_STUDY = "no study"


@dataclass(frozen=True)
class Setting:
    """What the book knows around a case.

    ``beyond`` names current settings that the limits do not permit; ``released`` and ``revision`` the recipe in force
    that the settings are held against, ``""`` and 0 where none is and the last answer stands in.
    """

    name: str = NO_STUDY
    recipe: ReferenceSettings = field(default_factory=ReferenceSettings)
    current: Mapping[str, float] = field(default_factory=dict)
    levels: Mapping[str, Level] = field(default_factory=dict)
    readings: tuple[GaugeReading, ...] = ()
    dyed_polyester: bool | None = None
    p_under: float | None = None
    p_over: float | None = None
    beyond: tuple[str, ...] = ()
    released: str = ""
    revision: int = 0


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

    The recipe is the one in force that came from the study, else its last answer; ``kept`` names one. ``given`` says
    what the current settings are: dialled in by somebody, so that they are held against the dial settings of a recipe,
    or those of a coupon of the study, in the study's own terms. Without ``ask_surfaces`` nothing is fitted, which takes
    a second where there are enough coupons.
    """
    if book is None or key is None:
        return Setting(current=current)
    record = book.study(key)
    kept = in_force_for(book, record.id) if kept is None else kept
    recipe = _last_answer(book, record) if kept is None else recipe_in_use(kept.recipe, record.study.limits, given)
    off = {} if kept is None or given == "study" else _dial_less_surface(kept.recipe)
    levels = {}
    for name, value in current.items():
        slack = next((f.setting_sd for f in record.study.numeric if f.name == name), 0.0)
        level = recipe.level(name, value, slack)
        if level is not None:
            levels[name] = level
    latest: dict[tuple[str, str], GaugeReading] = {}
    for reading in book.gauge_readings(record.line.name):
        latest[(reading.machine, reading.place)] = reading
    asked = {name: value - off.get(name, 0.0) for name, value in {**recipe.settings, **current}.items()}
    p_under, p_over = _sides(book, record, asked) if ask_surfaces else (None, None)
    return Setting(
        record.name,
        recipe,
        current,
        levels,
        tuple(latest.values()),
        record.stack.dyed_polyester,
        p_under,
        p_over,
        tuple(name for name, value in current.items() if not replace(recipe, window={}).is_permitted(name, value)),
        "" if kept is None else kept.recipe.name,
        0 if kept is None else kept.recipe.revision,
    )


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
    return ReferenceSettings(settings, window, limits)


def _dial_less_surface(released: Released) -> dict[str, float]:
    """How far the dial of a released temperature stands above its surface; the surfaces know the latter."""
    if released.as_dialled:
        return {}
    pairs = [(s.factor, s.dial, s.surface) for s in released.settings if not isinstance(s.surface, str)]
    return {name: dial - surface for name, dial, surface in pairs if dial is not None}


def _last_answer(book: Book, record: StudyRecord) -> ReferenceSettings:
    kept = book.latest_analysis(record.id, RECOMMEND)
    if kept is None:
        return ReferenceSettings(limits=record.study.limits)
    answer = answer_from(kept.payload)
    numeric = {f.name for f in record.study.numeric}
    settings = {name: float(value) for name, value in answer.setpoint.items() if name in numeric}
    window = {}
    if answer.window is not None:
        bounds = answer.window.bounds.astype(float)
        window = {str(n): (float(bounds["low"][n]), float(bounds["high"][n])) for n in bounds.index}
    return ReferenceSettings(settings, window, record.study.limits)


def _sides(book: Book, record: StudyRecord, settings: Mapping[str, float]) -> tuple[float | None, float | None]:
    """How likely prints fail by too little and too much heat at these settings; None when nothing is fitted."""
    numeric: tuple[Factor, ...] = record.study.numeric
    if record.study.categorical or any(f.name not in settings for f in numeric):
        return None, None
    results = book.results(record.id)
    if results.empty or results["passed"].notna().sum() < 12:  # fewer rest on what windows usually look like
        return None, None
    surfaces = fit(record.study, results, seed=usual_seed(record.name))
    predicted = surfaces.predict(pd.DataFrame([{f.name: settings[f.name] for f in numeric}]))
    return float(predicted["p_under"].iloc[0]), float(predicted["p_over"].iloc[0])


@dataclass(frozen=True)
class Diagnosed:
    """A diagnosis with its evidence and advice."""

    evidence: Evidence
    diagnosis: Diagnosis
    advice: Advice


def diagnose_case(book: Book | None, evidence: Evidence, setting: Setting) -> Diagnosed:
    """Diagnosis by the shop's odds; by those every shop starts with where there is no book."""
    cases = [case_of(note) for note in book.notes(CASE)] if book is not None else []
    found = diagnose(evidence, shop_odds(cases))
    return Diagnosed(evidence, found, advise(found, evidence, setting.recipe, setting.current))


def keep_case(book: Book, setting: Setting, evidence: Evidence, cause: str, *, coupon: str = "") -> int:
    """Store what a case turned out to be; ``none`` or nothing for a cause that is not on the list.

    ``coupon`` names the coupon it was seen on, if it was one.
    """
    key = "" if cause.strip().lower() in ("", "none") else fault(cause).key
    return book.save_note(
        CASE,
        setting.name,
        {**named(evidence, "symptoms", "absent", "found"), "cause": key} | ({"coupon": coupon} if coupon else {}),
    )


def case_of(note: ShopNote) -> Case:
    """Case of a note."""
    data: Mapping[str, Any] = note.data
    return Case(tuple(data["symptoms"]), str(data["cause"]), tuple(data.get("absent", ())), dict(data.get("found", {})))
