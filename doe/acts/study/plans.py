"""Comparing plans, making one, and adding rounds to it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import pandas as pd

from doe.acts.base import Key, Progress, usual_seed
from doe.acts.comparison.verdict import refuse_comparison
from doe.acts.gauges.line import cautions_said, gauged_line, refuse_dials
from doe.acts.study.change import copy_study
from doe.acts.study.fits import fit_of
from doe.acts.study.limits import refuse_known, refuse_without_limits
from doe.acts.study.rounds import coupons_to_learn_from, notes_to_learn_from, scale_of, score_counts
from doe.assure.gauges.line import GaugedLine
from doe.book.book import Book
from doe.book.records import STEP, RoundInfo, StudyRecord
from doe.domain.errors import InputError, quoted
from doe.domain.finding import Finding
from doe.domain.plan_kinds import Scale
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown
from doe.plans.build import add_round, augment_plan, make_plan
from doe.plans.compare import LeftOut, compare_plans, left_out
from doe.plans.judge import PlanJudgement, judge_plan
from doe.plans.margin import plan_below
from doe.plans.plan import Plan
from doe.setpoint.extension import extend_plan
from doe.setpoint.verdict import next_size
from doe.words.study.plans import planned_with, why_left_out
from doe.words.wording import count

Grown = Literal["where coupons tell most", "where the plan is thinnest"]
"""How the coupons of a further round are chosen."""


@dataclass(frozen=True)
class PlanChoice:
    """Candidate plans of a study at a budget, the surest first, the kinds that do not fit.

    ``cautions`` are what to be careful about in the corrections of its line, ``near`` how many coupons of the first
    plan are expected above a limit.
    """

    record: StudyRecord
    coupons: int
    seed: int
    judgements: tuple[PlanJudgement, ...]
    left_out: tuple[LeftOut, ...]
    cautions: tuple[str, ...]
    near: tuple[Finding | str, ...]


def compare_for(book: Book, key: Key, *, coupons: int, seed: int | None = None, shown: Shown = METRIC) -> PlanChoice:
    """Compare plans for a study that has none yet."""
    record = _without_plan(book, key)
    seed = usual_seed(record.first_name, seed)
    gauged = gauged_line(book, record)
    study = record.study.within_limits()
    judged = compare_plans(study, coupons=coupons, seed=seed, line=gauged.line)
    absent = left_out(study, coupons=coupons)
    if not judged:
        remedy = why_left_out(absent[0]) if absent else "Add coupons."
        raise InputError("--coupons", coupons, "enough for one of the plans", remedy)
    cautions = cautions_said(book, record, shown, gauged)
    first = partial(make_plan, coupons=judged[0].coupons, kind=judged[0].kind, seed=seed, line=record.line)
    near = tuple(n for n in _below(study, first, gauged).notes if isinstance(n, Finding) and n.code == "near a limit")
    return PlanChoice(record, coupons, seed, judged, absent, cautions, near)


def plans_sum(book: Book, key: Key) -> str:
    """Sum of everything that plans side by side are worked out from: while it is the same, so are they."""
    record = book.study(key)
    parts = (record.first_name, record.study, record.line, gauged_line(book, record))
    return hashlib.sha256(repr(parts).encode()).hexdigest()


def _below(study: Study, make: Callable[[Study], Plan], gauged: GaugedLine) -> Plan:
    """A plan that keeps below the limits of the materials, by what the readings of the line say of its dials."""
    ends = ((f.name, gauged.dial(f.name, f.high)) for f in study.numeric)
    return plan_below(study, make, {name: dial.u_delta_degc or 0.0 for name, dial in ends if dial is not None})


@dataclass(frozen=True)
class PlannedRound:
    """A round that was stored: the whole plan, how the new round was ``made`` and its coupons, the plan's worth.

    ``gauged`` is the line with the corrections in force, ``cautions`` what to be careful about in them; ``scale`` is
    what the temperatures of all coupons are.
    """

    record: StudyRecord
    plan: Plan
    made: RoundInfo
    coupons: pd.DataFrame
    judgement: PlanJudgement
    gauged: GaugedLine
    cautions: tuple[str, ...]
    scale: Scale


def commit_plan(
    book: Book,
    key: Key,
    *,
    kind: str,
    coupons: int,
    seed: int | None = None,
    order: str = "batched",
    per_garment: int | None = None,
    most: int | None = None,
    grades: bool | None = None,
    shown: Shown = METRIC,
) -> PlannedRound:
    """Make a plan of a kind and store it as the first round.

    The study keeps ``per_garment`` for later rounds, the ``most`` coupons of a search that goes step by step, and
    whether grades are asked for.
    """
    record = _without_plan(book, key)
    study = record.study if per_garment is None else replace(record.study, coupons_per_garment=per_garment)
    study = study if most is None else replace(study, most_coupons=most)
    study = study if grades is None else replace(study, grades=grades)
    gauged, seed = gauged_line(book, record), usual_seed(record.first_name, seed)
    make = partial(make_plan, coupons=coupons, kind=kind, seed=seed, line=record.line, order=order)
    plan = _below(study.within_limits(), make, gauged)
    refuse_dials(gauged, study, plan.coupons)
    if study != record.study:
        book.amend_study(record.id, study, planned_with(study))
        record = book.study(record.id)
    book.save_round(record.id, plan.coupons, kind=plan.kind, seed=plan.seed, notes=plan.notes, scale="surface")
    return _planned(book, record, plan, shown)


def _planned(book: Book, record: StudyRecord, plan: Plan, shown: Shown) -> PlannedRound:
    """The round that was stored last; ``plan`` is of all rounds that search for the window."""
    made, gauged = book.plan_info(record.id).rounds[-1], gauged_line(book, record)
    cautions = cautions_said(book, record, shown, gauged)
    coupons = plan.coupons[plan.coupons["round"] == made.round]
    judged = judge_plan(plan, line=gauged.line)
    return PlannedRound(record, plan, made, coupons, judged, gauged, cautions, scale_of(book, record))


def _without_plan(book: Book, key: Key) -> StudyRecord:
    record = book.study(key)
    refuse_known(record.study, "plan")
    refuse_comparison(book, record, "plan")
    refuse_without_limits(record.study)
    rounds = book.plan_info(record.id).rounds
    if rounds:
        raise InputError(
            f"plan of {record.name}",
            f"{count(len(rounds), 'round')} of coupons",
            "a study without a plan",
            f"Add a round with doe extend, or see what may be done: doe plan {quoted(record.name)}.",
        )
    return record


def nobody_made(book: Book, record: StudyRecord) -> bool:
    """Whether nothing at all is on record of a coupon of a study: no score, no step at a machine, no photo."""
    said = any(entry.current and entry.value not in (None, "") for entry in book.history(record.id))
    made = record.made_at.isoformat()
    steps = any(note.data["study_made"] == made for note in book.notes(STEP, record.name))
    return not said and not steps and all(photo.withdrawn for photo in book.photos(record.id))


@dataclass(frozen=True)
class WithdrawnPlan:
    """A plan that was withdrawn: the study it ``was``, put away with its coupons, and the ``record`` that asks anew."""

    was: StudyRecord
    record: StudyRecord
    coupons: int


def may_withdraw(book: Book, record: StudyRecord) -> bool:
    """Whether the plan of a study can be withdrawn: nobody made a coupon of it, and nothing else rests on it."""
    return bool(book.plan_info(record.id).rounds) and not book.analyses(record.id) and nobody_made(book, record)


def withdraw_plan(book: Book, key: Key, why: str) -> WithdrawnPlan:
    """Withdraw the plan of a study that nobody has made a coupon of.

    The study is put away with its plan, as an act with its reason, and its question begins anew under the same name:
    no row of the book is changed, and no label of the withdrawn plan can be taken for one of the next.

    Raises
    ------
    InputError
        If there is no plan or no why, or a coupon is made, scored, void or has a photo.
    """
    with book.writing():
        record = book.study(key)
        refuse_comparison(book, record, "plan")
        coupons = len(whole_plan(book, record).coupons)
        if not may_withdraw(book, record):
            raise InputError(
                f"plan of {record.name}",
                "coupons that are made or scored, or results of an earlier study",
                "a plan that nobody has made a coupon of",
                "Mark every coupon that is not to be made as void, with the reason.",
            )
        book.withdraw_plan(record.id, why)
        return WithdrawnPlan(record, copy_study(book, record.id, record.name).record, coupons)


def stored_plan(book: Book, record: StudyRecord) -> Plan:
    """The plan of a study as it is in the book: the rounds that search for the window.

    Raises
    ------
    InputError
        If there is none.
    """
    info = book.plan_info(record.id)
    coupons = coupons_to_learn_from(book, record.id)
    if coupons.empty:
        raise _no_plan(record)
    return Plan(record.study, info.kind, info.seed, coupons, notes_to_learn_from(info))


def whole_plan(book: Book, record: StudyRecord) -> Plan:
    """Every round of a study, those that only judge or compare included: what is made, printed and scored.

    Raises
    ------
    InputError
        If there is none.
    """
    info = book.plan_info(record.id)
    if not info.rounds:
        raise _no_plan(record)
    return Plan(record.study, info.kind, info.seed, book.plan_coupons(record.id), info.notes)


def _no_plan(record: StudyRecord) -> InputError:
    how = "doe plan" if record.study.known is None else "doe confirm"
    return InputError(f"study {record.name}", "no plan", "a study with coupons", f"Make one with {how}.")


def extend_study(
    book: Book,
    key: Key,
    *,
    coupons: int | None = None,
    seed: int | None = None,
    progress: Progress | None = None,
    shown: Shown = METRIC,
) -> PlannedRound:
    """Add a round of coupons where they would help most; without any score yet, where the plan is thinnest.

    Raises
    ------
    InputError
        If the coupons of a search step by step are used up, or nothing can be planned.
    """
    record = book.study(key)
    refuse_known(record.study, "more coupons by doe extend")
    refuse_comparison(book, record, "more coupons by doe extend")
    refuse_without_limits(record.study)
    plan, whole = stored_plan(book, record), whole_plan(book, record)
    seed = usual_seed(record.first_name, seed)
    coupons = coupons or next_size(record.study, len(plan.coupons))
    if not coupons:
        raise InputError(
            "doe extend",
            f"{count(len(plan.coupons), 'coupon')} made",
            f"{record.study.most_coupons} at most in this search",
            "Say how many more with --coupons, or change the question.",
        )
    gauged = gauged_line(book, record)
    surfaces = fit_of(book, record, seed, progress).surfaces if score_counts(book, record.id).scored else None
    kind: Grown = "where the plan is thinnest" if surfaces is None else "where coupons tell most"

    def grow(study: Study) -> Plan:
        # the whole plan, because rounds and batches are numbered on past those that only judge
        mine = replace(whole, study=study)
        if surfaces is not None:
            return extend_plan(study, mine, surfaces, coupons=coupons, seed=seed, line=record.line)
        longer = augment_plan(replace(plan, study=study), coupons=coupons, seed=seed, line=record.line)
        if whole.rounds == plan.rounds:
            return longer
        added = longer.coupons[longer.coupons["round"] == longer.rounds]
        settings, roles = added[list(study.factor_names)], tuple(added["role"])
        return add_round(mine, settings, seed=seed, line=record.line, roles=roles)

    longer = _below(record.study.within_limits(), grow, gauged)
    notes, scale = longer.notes[len(whole.notes) :], scale_of(book, record)
    fresh = longer.coupons[longer.coupons["round"] == longer.rounds]
    refuse_dials(gauged, record.study, fresh)
    book.save_round(record.id, fresh, kind=kind, seed=seed, notes=notes, scale=scale)
    return _planned(book, record, stored_plan(book, record), shown)
