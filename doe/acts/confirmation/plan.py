"""Planning a confirmation: which claim costs how many coupons, the rule that is fixed, and coupons made again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.acts.answers import answer_from
from doe.acts.base import RECOMMEND, Key, Progress, usual_seed, version
from doe.acts.confirmation.rules import REPLACEMENT, plan_data, plans_of
from doe.acts.confirmation.verdict import Confirmed, confirmation_of, window_of
from doe.acts.study.counts import score_counts
from doe.acts.study.earlier import hash_now
from doe.acts.study.fits import fit_of
from doe.acts.study.limits import refuse_without_limits
from doe.acts.study.plans import whole_plan
from doe.acts.study.rounds import scale_of
from doe.assure.confirmation.allocation import CORNER_COUPONS, confirmation_points, confirmation_settings
from doe.assure.confirmation.attempts import ConfirmationPlan
from doe.assure.confirmation.claims import ClaimPlan, claim_plan
from doe.assure.confirmation.order import SET_UPS, Unit, order_confirmation
from doe.book.records import AnalysisRecord, StudyRecord
from doe.domain.errors import InputError
from doe.domain.jsonable import jsonable
from doe.domain.plan_kinds import CONFIRM, CONFIRMATION_PLAN
from doe.domain.study import Study
from doe.domain.texts import check_note, quoted
from doe.plans.timing import hours_at_machines
from doe.setpoint.answer import Answer
from doe.setpoint.robust import RobustRate
from doe.words.confirmation.plan import again, offer_cautions, replacement_notes, round_notes
from doe.words.dates import minute
from doe.words.study.answer import scores_first
from doe.words.wording import count, stated

if TYPE_CHECKING:
    from doe.book.book import Book

STATED_RATES = (0.97, 0.99)
"""True pass rates at which the chance to be accepted is shown, beside what the study believes."""

CORNERS, FUTURE_PRINTS = 2, 10
MOST_COUPONS = 500
"""Coupons of one confirmation: more than anybody makes by hand, and a mistyped claim asks for thousands."""


@dataclass(frozen=True)
class ClaimRow:
    """What one claim costs and how likely it is to be accepted.

    Attributes
    ----------
    claim : ClaimPlan
    coupons, corner_coupons, garments : int
        Coupons at the setpoint, and at all corners together; garments for both.
    hours : float
        At the machines, one person, without washing and scoring.
    by_study : float
        Chance to be accepted at the setpoint, averaged over what the study believes of its pass rate.
    at_rates : tuple of float
        The same at each of `STATED_RATES`.
    needs : float
        True pass rate that is accepted 9 times in 10.
    stops_after : float
        Units made on average until the verdict is certain, by what the study believes.
    """

    claim: ClaimPlan
    coupons: int
    corner_coupons: int
    garments: int
    hours: float
    by_study: float
    at_rates: tuple[float, ...]
    needs: float
    stops_after: float


@dataclass(frozen=True)
class ClaimChoice:
    """Claims side by side before anything is committed.

    ``points`` are the setpoint and the corners that would be tested; ``cautions`` full sentences; ``set_ups`` how often
    each machine is set for the setpoint.
    """

    record: StudyRecord
    answer: Answer
    unit: Unit
    per_unit: int
    points: pd.DataFrame
    rows: tuple[ClaimRow, ...]
    cautions: tuple[str, ...]
    set_ups: int


@dataclass(frozen=True)
class _Asked:
    """The answer that is to be confirmed, the pass rate of a unit there by the study's draws, the points to test."""

    record: StudyRecord
    kept: AnalysisRecord
    answer: Answer
    rates: NDArray[np.float64]
    points: pd.DataFrame
    unit: Unit
    per_unit: int
    set_ups: int
    cautions: tuple[str, ...]


def compare_claims_for(
    book: Book,
    key: Key,
    *,
    claims: Sequence[tuple[float, float]] = (),
    allow: Sequence[int] = (0, 1, 2),
    unit: Unit = "coupon",
    corners: int = CORNERS,
    set_ups: int | None = None,
    per_garment: int | None = None,
    progress: Progress | None = None,
) -> ClaimChoice:
    """Claims side by side for the answer kept to the present results; by default the study's own and weaker ones.

    Parameters
    ----------
    claims : sequence of (pass rate, assurance)
    allow : sequence of int
        Failures allowed.
    set_ups : int, optional
        How often oven and press are set afresh for the setpoint.

    Raises
    ------
    InputError
        If there is no answer that a confirmation could be about.
    """
    asked = _asked(book, key, unit, corners, set_ups, progress)
    spec = asked.record.study.spec
    usual = not claims
    if usual:
        claims = sorted(
            {(rate, spec.assurance) for rate in (0.80, 0.90, spec.pass_rate)}
            | {(spec.pass_rate, max(0.95, spec.assurance))}
        )
    plans = [claim_plan(rate, assurance, failures=c) for rate, assurance in claims for c in sorted(set(allow))]
    if usual:  # what nobody asked for and nobody could make is left out, as long as something is left
        plans = [plan for plan in plans if _coupons(plan, asked) <= MOST_COUPONS] or plans[:1]
    for plan in plans:
        _refuse_too_many(plan, asked)
    rows = tuple(_row(asked, plan, per_garment) for plan in plans)
    return ClaimChoice(
        asked.record, asked.answer, unit, asked.per_unit, asked.points, rows, asked.cautions, asked.set_ups
    )


@dataclass(frozen=True)
class ConfirmationPlanned:
    """A confirmation that was stored: its rule, its coupons, what it costs, and what to know about it."""

    record: StudyRecord
    plan: ConfirmationPlan
    coupons: pd.DataFrame
    row: ClaimRow
    cautions: tuple[str, ...]
    notes: tuple[str, ...]


def plan_confirmation(
    book: Book,
    key: Key,
    *,
    claim: float | None = None,
    assurance: float | None = None,
    allow: int = 0,
    unit: Unit = "coupon",
    corners: int = CORNERS,
    set_ups: int | None = None,
    per_garment: int | None = None,
    seed: int | None = None,
    give_up: str = "",
    progress: Progress | None = None,
) -> ConfirmationPlanned:
    """Fix the rule of a confirmation and store it together with its coupons, both or neither.

    Parameters
    ----------
    claim, assurance : float, optional
        By default what the study wants.
    allow : int
        Failures allowed at the setpoint.
    unit : {"coupon", "stroke"}
    corners : int
        Corners of the window to test.
    set_ups : int, optional
        How often oven and press are set afresh for the setpoint.
    give_up : str
        Why a confirmation under way is given up; it stays on record.

    Raises
    ------
    InputError
        If there is no answer to confirm, another confirmation is under way, or the claim asks for too much.
    """
    asked = _asked(book, key, unit, corners, set_ups, progress)
    record, spec = asked.record, asked.record.study.spec
    rule = claim_plan(
        spec.pass_rate if claim is None else claim, spec.assurance if assurance is None else assurance, failures=allow
    )
    before = confirmation_of(book, record.id)
    ended = _ended(before, rule, asked, give_up)
    whole = whole_plan(book, record)
    plan = ConfirmationPlan(
        id=0,
        attempt=1 + (len(before.attempts) if before else 0),
        claim=rule,
        unit=unit,
        per_unit=asked.per_unit,
        corner_coupons=CORNER_COUPONS,
        future_prints=FUTURE_PRINTS,
        setpoint=dict(asked.answer.setpoint),
        window=window_of(asked.answer),
        points=asked.points,
        rounds=(whole.rounds + 1,),
        inputs_hash=asked.kept.inputs_hash,
        answer_verdict=asked.answer.verdict,
    )
    _refuse_too_many(rule, asked)
    seed = usual_seed(record.name) if seed is None else seed
    settings = confirmation_settings(
        record.study, asked.points, setpoint_coupons=rule.units, corner_coupons=CORNER_COUPONS
    )
    coupons = _ordered(
        record,
        whole.coupons,
        settings,
        plan,
        number=plan.rounds[0],
        seed=seed,
        per_garment=per_garment,
        set_ups=asked.set_ups,
    )
    notes = round_notes(plan)
    book.save_round_with(
        record.id,
        coupons,
        round_kind=CONFIRM,
        scale=scale_of(book, record),
        notes=notes,
        kind=CONFIRMATION_PLAN,
        inputs_hash=plan.inputs_hash,
        seed=seed,
        version=version(),
        payload=plan_data(plan, gives_up=ended),
    )
    kept = plans_of(book, record.id)[-1]
    return ConfirmationPlanned(
        record, kept, coupons, _row(asked, rule, per_garment, coupons), (*asked.cautions, *_again(before, kept)), notes
    )


@dataclass(frozen=True)
class Replaced:
    """Coupons made again for a confirmation, and what they stand in for."""

    record: StudyRecord
    plan: ConfirmationPlan
    round: int
    coupons: pd.DataFrame
    units: int
    corners: Mapping[str, int]


def replace_void(book: Book, key: Key, *, per_garment: int | None = None, seed: int | None = None) -> Replaced:
    """Make again what a confirmation lacks: units whose coupons are void, and a doubtful corner once more.

    Raises
    ------
    InputError
        If nothing is missing, or no confirmation is under way.
    """
    found = confirmation_of(book, key)
    record = book.study(key)
    name = quoted(record.name)
    if found is None:
        raise InputError(
            f"confirmation of {record.name}", "none planned", "a planned confirmation", f"See doe confirm {name}."
        )
    attempt = found.current
    plan, units, corners = attempt.plan, attempt.missing_units, attempt.missing_corners
    if attempt.verdict != "open" or not (units or corners):
        why = "no coupon is void and no corner is doubtful" if attempt.verdict == "open" else attempt.verdict
        raise InputError(
            f"confirmation of {record.name}",
            why,
            "a coupon to make again",
            f"See how it stands with doe confirm {name}.",
        )
    times = [units if role == "setpoint" else corners.get(str(role), 0) for role in plan.points["role"]]
    settings = plan.points.loc[plan.points.index.repeat(times), ["role", *record.study.factor_names]]
    whole = whole_plan(book, record)
    number = whole.rounds + 1
    seed = usual_seed(record.name) if seed is None else seed
    coupons = _ordered(
        record,
        whole.coupons,
        pd.DataFrame(settings).reset_index(drop=True),
        plan,
        number=number,
        seed=seed,
        per_garment=per_garment,
    )
    notes = replacement_notes(plan)
    book.save_round_with(
        record.id,
        coupons,
        round_kind=CONFIRM,
        scale=scale_of(book, record),
        notes=notes,
        kind=REPLACEMENT,
        inputs_hash=plan.inputs_hash,
        seed=seed,
        version=version(),
        payload=jsonable({"attempt": plan.attempt, "round": number, "units": units, "corners": dict(corners)}),
    )
    return Replaced(record, plan, number, coupons, units, corners)


def _asked(book: Book, key: Key, unit: Unit, corners: int, set_ups: int | None, progress: Progress | None) -> _Asked:
    """The answer that is to be confirmed.

    Raises
    ------
    InputError
        If none is kept, it is about other results, or it says that the target is out of reach.
    """
    record = book.study(key)
    refuse_without_limits(record.study)
    name = quoted(record.name)
    where = f"answer of {record.name}"
    if unit == "stroke" and record.line.coupons_per_stroke == 1:
        raise InputError("--units", "stroke", "coupon: this line presses one coupon a stroke", "Leave it out.")
    kept = [a for a in book.analyses(record.id) if a.kind == RECOMMEND]
    if not kept:
        raise InputError(where, "none kept", "an answer to confirm", f"Ask for it first: doe recommend {name}.")
    now = hash_now(book, record)
    same = [a for a in kept if a.inputs_hash == now]
    if not same:
        raise InputError(
            where,
            f"one of {minute(kept[-1].made_at)}, and the results or the study changed since",
            "an answer to the results as they are",
            f"Ask anew: doe recommend {name}.",
        )
    answer = answer_from(same[-1].payload)
    if answer.verdict == "not reachable":
        raise InputError(
            where,
            "not reachable",
            "ready (or more coupons, at your risk)",
            f"A confirmation would very likely fail. Change what doe recommend {name} names first.",
        )
    surfaces = fit_of(book, record, same[-1].seed, progress).surfaces
    points = confirmation_points(record.study, surfaces, answer, corners=corners)
    per_unit = record.line.coupons_per_stroke if unit == "stroke" else 1
    here = points.iloc[[0]][list(record.study.factor_names)]
    rates = RobustRate(record.study, surfaces).draws(here, nodes=64, hand=False)[:, 0]
    # as if the coupons of a stroke failed each for itself: they share what the stroke does, so this is the worst case
    rates = rates**per_unit
    return _Asked(
        record,
        same[-1],
        answer,
        rates,
        points,
        unit,
        per_unit,
        SET_UPS if set_ups is None else set_ups,
        _cautions(book, record, answer, points, corners),
    )


def _cautions(book: Book, record: StudyRecord, answer: Answer, points: pd.DataFrame, corners: int) -> tuple[str, ...]:
    return offer_cautions(
        is_unscored=scores_first(answer),
        asks_for_more=answer.verdict == "more coupons",
        open_washes=score_counts(book, record.id).unfinished,
        wanted_corners=corners,
        corners=len(points) - 1,
        has_window=answer.window is not None,
    )


def _coupons(rule: ClaimPlan, asked: _Asked) -> int:
    return rule.units * asked.per_unit + (len(asked.points) - 1) * CORNER_COUPONS


def _refuse_too_many(rule: ClaimPlan, asked: _Asked) -> None:
    if _coupons(rule, asked) > MOST_COUPONS:
        raise InputError(
            f"--claim {rule.pass_rate:.10g}",
            f"{_coupons(rule, asked)} coupons to show it with {stated(rule.assurance)} assurance and "
            f"{count(rule.failures, 'failure')} allowed",
            f"at most {MOST_COUPONS}",
            "Claim less, or allow fewer failures.",
        )


def _again(before: Confirmed | None, plan: ConfirmationPlan) -> tuple[str, ...]:
    """What a further attempt cannot undo."""
    if before is None:
        return ()
    told = [(a.plan.attempt, "given up" if a.plan.given_up else str(a.verdict)) for a in before.attempts]
    if before.verdict == "open":  # it was still open when this one put an end to it
        told[-1] = (before.current.plan.attempt, "given up")
    return (again(plan.attempt, told),)


def _row(asked: _Asked, claim: ClaimPlan, per_garment: int | None, coupons: pd.DataFrame | None = None) -> ClaimRow:
    study, line = _on_garments(asked.record.study, per_garment), asked.record.line
    if coupons is None:
        settings = confirmation_settings(
            study, asked.points, setpoint_coupons=claim.units, corner_coupons=CORNER_COUPONS
        )
        coupons = order_confirmation(
            study,
            settings,
            number=1,
            seed=0,
            line=line,
            unit=asked.unit,
            set_ups=asked.set_ups,
        )
    corner_coupons = (len(asked.points) - 1) * CORNER_COUPONS
    return ClaimRow(
        claim=claim,
        coupons=claim.units * asked.per_unit,
        corner_coupons=corner_coupons,
        garments=int(coupons["garment"].nunique()),
        hours=hours_at_machines(study, coupons, line).minutes / 60,
        by_study=claim.chance(asked.rates),
        at_rates=tuple(claim.chance(rate) for rate in STATED_RATES),
        needs=claim.rate_for(0.90),
        stops_after=claim.expected_units(asked.rates),
    )


def _on_garments(study: Study, per_garment: int | None) -> Study:
    """The study with this many coupons on a garment, where that was said."""
    return study if per_garment is None else replace(study, coupons_per_garment=per_garment)


def _ended(before: Confirmed | None, rule: ClaimPlan, asked: _Asked, give_up: str) -> dict[str, object] | None:
    """The attempt that a new plan puts an end to.

    Raises
    ------
    InputError
        If a confirmation is under way and not given up, or the same claim was accepted already.
    """
    check_note(give_up, "--give-up")
    if before is None:
        if give_up.strip():
            raise InputError("--give-up", give_up, "nothing: no confirmation is under way", "Leave it out.")
        return None
    last, name = before.current, quoted(before.record.name)
    where = f"confirmation {last.plan.attempt} of {before.record.name}"
    if last.verdict == "open":
        if not give_up.strip():
            raise InputError(
                where,
                "still open",
                "one confirmation at a time",
                f"Finish it (doe confirm {name}), or give it up with --give-up and why; it stays on record.",
            )
        return {"attempt": last.plan.attempt, "why": give_up.strip()}
    if give_up.strip():
        raise InputError("--give-up", give_up, f"nothing: {where} is {last.verdict}", "Leave it out.")
    plan = last.plan
    weaker = rule.pass_rate <= plan.claim.pass_rate and rule.assurance <= plan.claim.assurance
    if last.verdict == "accepted" and not before.doubts and weaker and dict(asked.answer.setpoint) == plan.setpoint:
        raise InputError(
            where, "accepted", "a stronger claim, or another setpoint", "It is confirmed; nothing more is needed."
        )
    return None


def _ordered(
    record: StudyRecord,
    before: pd.DataFrame,
    settings: pd.DataFrame,
    plan: ConfirmationPlan,
    *,
    number: int,
    seed: int,
    per_garment: int | None,
    set_ups: int = 1,
) -> pd.DataFrame:
    """Coupons of a round in order, with batches, strokes and garments that no earlier round has."""
    coupons = order_confirmation(
        _on_garments(record.study, per_garment),
        settings,
        number=number,
        seed=seed,
        line=replace(record.line, coupons_per_stroke=plan.per_unit),
        unit=plan.unit,
        set_ups=set_ups,
    )
    for name in ("cure_batch", "press_batch", "garment", "stroke"):
        if name in before:
            used = pd.to_numeric(before[name], errors="coerce").max()
            coupons[name] += 0 if pd.isna(used) else int(used)
    return coupons
