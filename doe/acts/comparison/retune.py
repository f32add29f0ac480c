"""Retuning a recipe for a new material: ranges around its setpoint, its study as prior knowledge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import pandas as pd

from doe.acts.base import Key, usual_seed
from doe.acts.comparison.plan import hours_for, study_behind
from doe.acts.comparison.verdict import comparison_plan
from doe.acts.gauges.line import cautions_said, gauged_line, refuse_dials
from doe.acts.study.earlier import (
    Prior,
    check_discount,
    coupons_for_prior,
    prior_analysis,
    prior_of,
    results_of_surface,
    usual_discount,
)
from doe.acts.study.limits import refuse_known, refuse_without_limits
from doe.book.book import Book
from doe.book.records import NewRound, StudyRecord
from doe.domain.coding import to_step
from doe.domain.errors import NAME_LENGTH
from doe.domain.factors import Factor
from doe.domain.finding import Finding
from doe.domain.limits import CEILING_DEGC, Limits
from doe.domain.outcome import HANDLED_COLUMN
from doe.domain.recipe import Recipe
from doe.domain.score import ScoreEntry
from doe.domain.space import Forbidden
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.plans.build import make_plan

FROM_COMPARISON = "from the comparison"
"""Role of coupons of the new material that the comparison made already."""

_NUMBERED = ("cure_batch", "press_batch", "garment", "stroke")  # counted on from round to round


@dataclass(frozen=True)
class RetuneWishes:
    """What a person asked for. ``discount`` None means the usual one for how the materials differ."""

    coupons: int = 20
    discount: float | None = None
    name: str = ""
    seed: int | None = None
    per_garment: int | None = None


@dataclass(frozen=True)
class Retuned:
    """A retune that was begun.

    ``brought`` counts the coupons of the new material that the comparison had made and that count in full; ``coupons``
    are those to make now, in round ``round``; ``cautions`` where their temperatures rest on gauges.
    """

    record: StudyRecord
    comparison: str
    recipe: Recipe
    prior: Prior
    brought: int
    round: int
    coupons: pd.DataFrame
    hours: float
    cautions: tuple[str, ...] = ()


def begin_retune(book: Book, key: Key, wishes: RetuneWishes, *, shown: Shown = METRIC) -> Retuned:
    """Start a tuning study on the new material of a comparison, all of it or nothing.

    The recipe's setpoint is the centre, the ranges are as wide as those it was tuned in unless limits say otherwise.
    The comparison's coupons of the new material come along and count in full; the coupons of the recipe's own study
    count with a discount.

    Raises
    ------
    InputError
        If the study is no comparison, its recipe or that one's study is gone, or a number cannot be used.
    """
    record, plan = comparison_plan(book, key)
    kept = book.recipe(plan.recipe, plan.revision)
    base = study_behind(book, kept)
    refuse_known(base.study, "retune")
    discount, why = usual_discount(plan.differs)
    if wishes.discount is not None:
        discount, why = check_discount(wishes.discount), "as typed"
    name = wishes.name or f"{record.name}, retuned"[:NAME_LENGTH].rstrip()
    study, levels = retune_study(kept.recipe, base.study, record.study.limits, name)
    if plan.waits and "peel_wait" in study.held:
        study = replace(study, held={**study.held, "peel_wait": plan.waits["new"]})
    if wishes.per_garment is not None:
        study = replace(study, coupons_per_garment=wishes.per_garment)
    refuse_without_limits(study)
    seed = usual_seed(study.name, wishes.seed)
    brought = _brought(book, record, study)
    made = make_plan(study, coupons=wishes.coupons, seed=seed, line=record.line)
    coupons, number = made.coupons, 1
    if brought is not None:
        number = 2
        numbers = {c: coupons[c] + int(brought.coupons[c].max()) for c in _NUMBERED}
        names = coupons["coupon"].str.replace("R1-", "R2-", regex=False)
        coupons = coupons.assign(round=2, coupon=names, **numbers)
    earlier = coupons_for_prior(results_of_surface(book, base), study, levels)
    refuse_dials(gauged_line(book, record), study, coupons)
    study_id = book.begin_study(
        study,
        stack=record.stack.name,
        line=record.line.name,
        rounds_made=[*([brought] if brought else []), NewRound(coupons, made.kind, seed, made.notes, scale="surface")],
        analyses_made=[
            prior_analysis(
                study=base.name, recipe=plan.recipe, revision=plan.revision, discount=discount, why=why, results=earlier
            )
        ],
        why=f"scored in the comparison {record.name}",
    )
    stored = book.study(study_id)
    prior = prior_of(book, stored)
    assert prior is not None  # it has just been kept
    return Retuned(
        stored,
        record.name,
        kept.recipe,
        prior,
        len(brought.coupons) if brought else 0,
        number,
        coupons,
        hours_for(study, coupons, record.line),
        cautions_said(book, stored, shown),
    )


def retune_study(recipe: Recipe, base: Study, limits: Limits | None, name: str) -> tuple[Study, Mapping[str, str]]:
    """The study of a retune, and the levels at which named settings of the earlier study are held now."""
    levels = {f.name: str(recipe.setting(f.name).surface) for f in base.categorical}
    factors = tuple(_around(f, float(recipe.setting(f.name).surface), limits) for f in base.numeric)
    forbidden = tuple(kept for combination in base.forbidden if (kept := _held(combination, levels)) is not None)
    held = {**base.held, **levels}
    return replace(base, name=name, factors=factors, limits=limits, forbidden=forbidden, held=held), levels


def _around(f: Factor, centre: float, limits: Limits | None) -> Factor:
    """A factor with its range around a centre, as wide as it was, inside the limits."""
    if f.scale == "log":
        half = (f.high / f.low) ** 0.5
        low, high = centre / half, centre * half
    else:
        low, high = centre - (f.high - f.low) / 2, centre + (f.high - f.low) / 2
    least, most = limits.bounds(f.name, f.heated_mm) if limits else (None, None)
    step = f.step or 0.0
    if f.is_temperature:
        most = min(CEILING_DEGC - max(step, 1.0), CEILING_DEGC if most is None else most)
    if f.unit != "degC":
        least = max(least or 0.0, step)
    if step:  # to whole machine steps, outward; the limits come last
        low, high = to_step(low, step), to_step(high, step)
    low = low if least is None else max(low, least)
    high = high if most is None else min(high, most)
    return replace(f, low=round(low, 9), high=round(high, 9))


def _held(combination: Forbidden, levels: Mapping[str, str]) -> Forbidden | None:
    """A forbidden combination once some settings are held: without their clauses, or None where it cannot occur."""
    if any(c.factor in levels and levels[c.factor] != c.value for c in combination.clauses):
        return None
    return Forbidden(tuple(c for c in combination.clauses if c.factor not in levels), combination.reason)


def _brought(book: Book, record: StudyRecord, study: Study) -> NewRound | None:
    """The comparison's scored coupons of the new material, as the first round of the retune; None without any."""
    results = book.results(record.id)
    mine = results[(results["material"] == "new") & results["passed"].notna()].reset_index(drop=True)
    if mine.empty:
        return None
    places = ["cure_batch", "press_batch", "cure_order", "press_order", "garment", "stroke"]
    coupons = mine[["coupon", *study.factor_names, *places]].assign(round=1, role=FROM_COMPARISON)
    note = Finding("brought", {"comparison": record.name})
    return NewRound(
        coupons, "brought", 0, (note,), tuple(_entry(row, study) for row in mine.to_dict("records")), "surface"
    )


def _entry(row: Mapping[object, object], study: Study) -> ScoreEntry:
    """What was said about a coupon, to be said about it again in another study."""

    def numbers(prefix: str) -> dict[str, float]:
        found = {str(k).removeprefix(prefix): v for k, v in row.items() if str(k).startswith(prefix)}
        return {name: float(str(v)) for name, v in found.items() if v is not None and v == v}  # noqa: PLR0124 - NaN

    checks = {c.name: row.get(f"check_{c.name}") for c in study.spec.checks}
    actual = {name: value for name, value in numbers("actual_").items() if name in study.factor_names}
    return ScoreEntry(
        str(row["coupon"]),
        checks={name: bool(value) for name, value in checks.items() if value in (True, False)},
        symptoms=tuple(s for s in str(row["symptom"]).split("; ") if s),
        side=str(row["side"]) if row["side"] != "unknown" else "",
        hand=numbers("hand_"),
        actual=actual,
        note=str(row["note"]),
        handled=str(row.get(HANDLED_COLUMN, "")),
    )
