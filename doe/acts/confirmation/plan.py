"""Planning a confirmation: which claim costs how many coupons, the rule that is fixed, and coupons made again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.acts.base import RECOMMEND, Key, Progress, digest, usual_seed, version
from doe.acts.comparison.verdict import refuse_comparison
from doe.acts.confirmation.verdict import (
    Confirmed,
    confirmation_of,
    on_every_level,
    plan_data,
    planned_confirmation,
    plans_of,
    window_of,
)
from doe.acts.gauges.line import dialled_otherwise, gauged_line, refuse_dials
from doe.acts.study.fits import answer_from, fit_of
from doe.acts.study.inputs import hash_now
from doe.acts.study.limits import refuse_without_limits
from doe.acts.study.rounds import scale_of, score_counts
from doe.assure.confirmation.allocation import (
    CORNER_COUPONS,
    SET_UPS,
    SETPOINT,
    Unit,
    confirmation_points,
    confirmation_settings,
    endured_levels,
    order_confirmation,
)
from doe.assure.confirmation.attempts import ConfirmationPlan
from doe.assure.confirmation.claims import ClaimPlan, claim_plan
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.domain.errors import InputError, check_note, quoted
from doe.domain.finding import Finding
from doe.domain.jsonable import jsonable, named
from doe.domain.plan_kinds import CONFIRM, CONFIRMATION_PLAN, REPLACEMENT
from doe.domain.recipe import KNOWN
from doe.domain.study import Study
from doe.plans.margin import WORTH_SAYING, expected_above
from doe.plans.timing import hours_at_machines
from doe.setpoint.answer import Answer
from doe.setpoint.robust import RobustRate
from doe.words.study.answer import look_again, scores_first, washes_first
from doe.words.wording import count, date_and_time, stated

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
    by_study : float or None
        Chance to be accepted at the setpoint, averaged over what the study believes of its pass rate; None where the
        settings are known and nothing was searched.
    at_rates : tuple of float
        The same at each of `STATED_RATES`.
    needs : float
        True pass rate that is accepted 9 times in 10.
    stops_after : float or None
        Units made on average until the verdict is certain, by what the study believes; None likewise.
    """

    claim: ClaimPlan
    coupons: int
    corner_coupons: int
    garments: int
    hours: float
    by_study: float | None
    at_rates: tuple[float, ...]
    needs: float
    stops_after: float | None


@dataclass(frozen=True)
class ClaimWishes:
    """What is asked of a confirmation.

    Attributes
    ----------
    claims : tuple of float
        Pass rates to be shown; none for what the study wants.
    assurance : float or None
        None for the study's own.
    allow : tuple of int
        Failures allowed at the setpoint.
    unit : {"coupon", "stroke"}
    corners : int
        Corners of the window to test.
    set_ups : int
        How often oven and press are set afresh for the setpoint.
    per_garment : int or None
        Coupons on a garment; None for the study's own.
    """

    claims: tuple[float, ...] = ()
    assurance: float | None = None
    allow: tuple[int, ...] = ()
    unit: Unit = "coupon"
    corners: int = CORNERS
    set_ups: int = SET_UPS
    per_garment: int | None = None

    @property
    def compares(self) -> bool:
        """Whether claims were asked about."""
        return bool(self.claims or self.allow or self.assurance is not None)


@dataclass(frozen=True)
class ClaimOffer:
    """What can be confirmed, before anything is committed.

    ``setpoint`` is that of the answer, which is ``verdict``; ``inputs_hash`` the sum of what it was made from.
    ``rates`` are the pass rate of a unit there, by the study's draws, None where the settings are known and nothing was
    searched; ``points`` the setpoint and the corners of the ``window`` that would be tested; ``rows`` claims side by
    side.
    """

    wishes: ClaimWishes
    record: StudyRecord
    inputs_hash: str
    setpoint: Mapping[str, float | str]
    verdict: str
    window: Mapping[str, tuple[float, float]] | None
    rates: NDArray[np.float64] | None
    points: pd.DataFrame
    per_unit: int
    cautions: tuple[Finding, ...]
    rows: tuple[ClaimRow, ...] = ()


def compare_claims_for(book: Book, key: Key, wishes: ClaimWishes, *, progress: Progress | None = None) -> ClaimOffer:
    """Claims side by side for the answer kept to the present results; by default the study's own and weaker ones.

    Raises
    ------
    InputError
        If there is no answer that a confirmation could be about.
    """
    offer = _offer(book, key, wishes, progress)
    spec = offer.record.study.spec
    sure = spec.assurance if wishes.assurance is None else wishes.assurance
    if wishes.compares:
        claims = [(rate, sure) for rate in dict.fromkeys(wishes.claims or (spec.pass_rate,))]
    else:
        usual = {(rate, sure) for rate in (0.80, 0.90, spec.pass_rate)} | {(spec.pass_rate, max(0.95, sure))}
        claims = sorted(usual)
    allow, levels = sorted(set(wishes.allow or (0, 1, 2))), endured_levels(offer.record.study)
    plans = [claim_plan(rate, assurance, failures=c, levels=levels) for rate, assurance in claims for c in allow]
    if not wishes.compares:  # what nobody asked for and nobody could make is left out, as long as something is left
        plans = [plan for plan in plans if _coupons(plan, offer) <= MOST_COUPONS] or plans[:1]
    for plan in plans:
        _refuse_too_many(plan, offer)
    return replace(offer, rows=tuple(_row(offer, plan) for plan in plans))


def claims_sum(book: Book, key: Key) -> str:
    """SHA-256 over everything that claims side by side are worked out from: while it is the same, so are they."""
    record = book.study(key)
    inputs = {
        "study": record.study,
        "line": book.line(record.line.name),
        "inputs": hash_now(book, record),
        "answers": [kept.id for kept in book.analyses(record.id, RECOMMEND)],
        "readings": book.gauge_readings(record.line.name),
    }
    return digest(jsonable(inputs))


@dataclass(frozen=True)
class ConfirmationPlanned:
    """A confirmation that was stored: its rule, its coupons, what it costs, and what to know about it."""

    record: StudyRecord
    plan: ConfirmationPlan
    coupons: pd.DataFrame
    row: ClaimRow
    cautions: tuple[Finding, ...]
    notes: tuple[Finding, ...]


def plan_confirmation(
    book: Book,
    key: Key,
    wishes: ClaimWishes,
    *,
    seed: int | None = None,
    give_up: str = "",
    progress: Progress | None = None,
) -> ConfirmationPlanned:
    """Fix the rule of a confirmation and store it together with its coupons, both or neither.

    Parameters
    ----------
    wishes : ClaimWishes
        One claim and one number of failures; none for what the study wants without a failure.
    give_up : str
        Why a confirmation under way is given up; it stays on record.

    Raises
    ------
    InputError
        If there is no answer to confirm, another confirmation is under way, or the claim asks for too much.
    """
    for option, given in (("--claim", wishes.claims), ("--allow", wishes.allow)):
        if len(given) > 1:
            raise InputError(option, f"{len(given)} values", "one, with --plan", "Compare first, then choose one.")
    offer = _offer(book, key, wishes, progress)
    record, spec = offer.record, offer.record.study.spec
    (rate,), (failures,) = wishes.claims or (spec.pass_rate,), wishes.allow or (0,)
    sure = spec.assurance if wishes.assurance is None else wishes.assurance
    rule = claim_plan(rate, sure, failures=failures, levels=endured_levels(record.study))
    before = confirmation_of(book, record.id)
    ended = _ended(book, before, rule, offer, give_up)
    plan = ConfirmationPlan(
        id=0,
        attempt=1 + (len(before.attempts) if before else 0),
        claim=rule,
        unit=wishes.unit,
        per_unit=offer.per_unit,
        corner_coupons=CORNER_COUPONS,
        future_prints=FUTURE_PRINTS,
        setpoint=dict(offer.setpoint),
        window=offer.window,
        points=offer.points,
        rounds=(_next_round(book, record),),
        inputs_hash=offer.inputs_hash,
        answer_verdict=offer.verdict,
    )
    _refuse_too_many(rule, offer)
    notes = _round_notes(plan)
    payload = plan_data(plan, gives_up=ended)
    coupons = _store(book, record, plan, _times(rule, offer), wishes, seed, notes, CONFIRMATION_PLAN, payload)
    kept = plans_of(book, record.id)[-1]
    again = () if before is None else (_further(before, kept),)
    return ConfirmationPlanned(record, kept, coupons, _row(offer, rule, coupons), (*offer.cautions, *again), notes)


def _next_round(book: Book, record: StudyRecord) -> int:
    return len(book.plan_info(record.id).rounds) + 1


def _store(
    book: Book,
    record: StudyRecord,
    plan: ConfirmationPlan,
    times: Sequence[int],
    wishes: ClaimWishes,
    seed: int | None,
    notes: tuple[Finding, ...],
    kind: str,
    payload: Mapping[str, Any],
    made: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Keep the next round of a confirmation, and what it is for, both or neither; its coupons.

    They come in an order a person can run, with batches, strokes and garments that no earlier round has.
    """
    before, number = book.plan_coupons(record.id), _next_round(book, record)
    seed = usual_seed(record.first_name, seed)
    coupons = order_confirmation(
        _on_garments(record.study, wishes.per_garment),
        confirmation_settings(record.study, plan.points, times, made),
        number=number,
        seed=seed,
        line=replace(record.line, coupons_per_stroke=plan.per_unit),
        unit=plan.unit,
        set_ups=wishes.set_ups,
    )
    for name in ("cure_batch", "press_batch", "garment", "stroke"):
        if name in before:
            used = pd.to_numeric(before[name], errors="coerce").max()
            coupons[name] += 0 if pd.isna(used) else int(used)
    book.save_round_with(
        record.id,
        coupons,
        round_kind=CONFIRM,
        scale=scale_of(book, record),
        notes=notes,
        kind=kind,
        inputs_hash=plan.inputs_hash,
        seed=seed,
        version=version(),
        payload=payload,
    )
    return coupons


def _round_notes(plan: ConfirmationPlan) -> tuple[Finding, ...]:
    """What the person at the machines must know; printed on the sheet."""
    claim = plan.claim
    units = {"units": claim.units, "unit": plan.unit}
    corners = {"corners": len(plan.corners), "corner_coupons": plan.corner_coupons}
    rule = {**named(claim, "failures", "pass_rate", "assurance")}
    levels = {"levels": claim.levels} if claim.levels > 1 else {}
    fixed = Finding("rule_fixed", {**units, **rule})
    if levels:
        fixed = Finding("rule_fixed_each", {**units, "each": claim.units // claim.levels, **rule})
    return (
        Finding("confirms", {"attempt": plan.attempt, **units, "per_unit": plan.per_unit, **corners, **levels}),
        fixed,
        *((Finding("corners_apart", {"corners": plan.corners}),) if plan.corners else ()),
        Finding("what_is_void"),
        Finding("set_afresh"),
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
    found = planned_confirmation(book, key)
    record = found.record
    attempt = found.current
    plan, units, corners = attempt.plan, attempt.missing_units, attempt.missing_corners
    if attempt.verdict != "open" or not (units or corners):
        raise InputError(
            f"confirmation of {record.name}",
            "no coupon is void and no corner is doubtful" if attempt.verdict == "open" else attempt.verdict,
            "a coupon to make again",
            f"See how it stands with doe confirm {quoted(record.name)}.",
        )
    times = [units if role == SETPOINT else corners.get(str(role), 0) for role in plan.points["role"]]
    number = _next_round(book, record)
    notes = (Finding("confirms_again", {"attempt": plan.attempt}), *_round_notes(plan)[1:])
    payload = jsonable({"attempt": plan.attempt, "round": number, "units": units, "corners": dict(corners)})
    wishes = ClaimWishes(set_ups=1, per_garment=per_garment)
    coupons = _store(book, record, plan, times, wishes, seed, notes, REPLACEMENT, payload, attempt.rows)
    return Replaced(record, plan, number, coupons, units, corners)


def _offer(book: Book, key: Key, wishes: ClaimWishes, progress: Progress | None) -> ClaimOffer:
    """What is to be confirmed: an answer, or settings that are known.

    Raises
    ------
    InputError
        If no answer is kept, it is about other results, or it says that the target is out of reach.
    """
    record = book.study(key)
    refuse_without_limits(record.study)
    if wishes.unit == "stroke" and record.line.coupons_per_stroke == 1:
        raise InputError("--units", "stroke", "coupon: this line presses one coupon a stroke", "Leave it out.")
    per_unit = record.line.coupons_per_stroke if wishes.unit == "stroke" else 1
    if record.study.known is not None:
        return _known(book, record, wishes, per_unit)
    return _answered(book, record, wishes, per_unit, progress)


def _known(book: Book, record: StudyRecord, wishes: ClaimWishes, per_unit: int) -> ClaimOffer:
    """Settings that are known: one point, no window, and nothing believed of it beforehand."""
    refuse_comparison(book, record, "confirmation")
    study, gauged = record.study, gauged_line(book, record)
    points = pd.DataFrame([{"role": SETPOINT, **study.settings}])
    refuse_dials(gauged, study, points)
    dials = ((f.name, gauged.dial(f.name, f.low)) for f in study.numeric)
    dial_u = {name: dial.u_delta_degc or 0.0 for name, dial in dials if dial is not None}
    above = {name: share for name, share in expected_above(study, points, dial_u).items() if share >= WORTH_SAYING}
    near = (Finding("near_a_limit", {"factor": name, "above": share}) for name, share in above.items())
    cautions = (Finding("not_searched"), *on_every_level(study), *near)
    return ClaimOffer(
        wishes, record, hash_now(book, record), study.settings, KNOWN, None, None, points, per_unit, cautions
    )


def _answered(
    book: Book, record: StudyRecord, wishes: ClaimWishes, per_unit: int, progress: Progress | None
) -> ClaimOffer:
    """The answer to the present results."""
    name = quoted(record.name)
    where = f"answer of {record.name}"
    kept = book.analyses(record.id, RECOMMEND)
    if not kept:
        raise InputError(where, "none kept", "an answer to confirm", f"Ask for it first: doe recommend {name}.")
    now = hash_now(book, record)
    same = [a for a in kept if a.inputs_hash == now]
    if not same:
        raise InputError(
            where,
            f"one of {date_and_time(kept[-1].made_at)}, and the results or the study changed since",
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
    points = confirmation_points(record.study, surfaces, answer, corners=wishes.corners)
    here = points.iloc[[0]][list(record.study.factor_names)]
    rates = RobustRate(record.study, surfaces).draws(here, nodes=64, hand=False)[:, 0]
    # as if the coupons of a stroke failed each for itself: they share what the stroke does, so this is the worst case
    rates = rates**per_unit
    cautions = (
        *on_every_level(record.study),
        *_cautions(answer, score_counts(book, record.id).unfinished, wishes.corners, len(points) - 1),
    )
    return ClaimOffer(
        wishes,
        record,
        same[-1].inputs_hash,
        answer.setpoint,
        answer.verdict,
        window_of(answer),
        rates,
        points,
        per_unit,
        cautions,
    )


def _cautions(answer: Answer, open_washes: int, wanted_corners: int, corners: int) -> tuple[Finding, ...]:
    """What is to be known before a confirmation is planned."""
    found = []
    if names := look_again(answer):
        found.append(Finding("answer_distrusted", {"names": names}))
    elif scores_first(answer):
        found.append(Finding("answer_unscored"))
    elif answer.verdict == "more coupons" and not washes_first(answer):
        found.append(Finding("answer_unsettled"))
    if open_washes:
        found.append(Finding("washes_open", {"coupons": open_washes}))
    if not wanted_corners:
        found.append(Finding("no_corner_asked"))
    elif answer.window is None:
        found.append(Finding("no_window"))
    elif not corners:
        found.append(Finding("no_corner_possible"))
    elif corners < wanted_corners:
        found.append(Finding("few_corners", {"corners": corners}))
    return tuple(found)


def _times(rule: ClaimPlan, offer: ClaimOffer) -> list[int]:
    """Units at the setpoint, then coupons at each corner."""
    return [rule.units, *[CORNER_COUPONS] * (len(offer.points) - 1)]


def _coupons(rule: ClaimPlan, offer: ClaimOffer) -> int:
    units, *corners = _times(rule, offer)
    return units * offer.per_unit + sum(corners)


def _refuse_too_many(rule: ClaimPlan, offer: ClaimOffer) -> None:
    if _coupons(rule, offer) > MOST_COUPONS:
        raise InputError(
            f"--claim {rule.pass_rate:.10g}",
            f"{_coupons(rule, offer)} coupons to show it with {stated(rule.assurance)} assurance and "
            f"{count(rule.failures, 'failure')} allowed",
            f"at most {MOST_COUPONS}",
            "Claim less, or allow fewer failures.",
        )


def _further(before: Confirmed, plan: ConfirmationPlan) -> Finding:
    """What a further attempt cannot undo."""
    verdicts = ["given up" if a.plan.given_up else str(a.verdict) for a in before.attempts]
    if before.verdict == "open":  # it was still open when this one put an end to it
        verdicts[-1] = "given up"
    return Finding("further_attempt", {"attempt": plan.attempt, "before": tuple(verdicts)})


def _row(offer: ClaimOffer, claim: ClaimPlan, coupons: pd.DataFrame | None = None) -> ClaimRow:
    study, line = _on_garments(offer.record.study, offer.wishes.per_garment), offer.record.line
    if coupons is None:
        settings = confirmation_settings(study, offer.points, _times(claim, offer))
        coupons = order_confirmation(
            study, settings, number=1, seed=0, line=line, unit=offer.wishes.unit, set_ups=offer.wishes.set_ups
        )
    at_setpoint = claim.units * offer.per_unit
    return ClaimRow(
        claim=claim,
        coupons=at_setpoint,
        corner_coupons=_coupons(claim, offer) - at_setpoint,
        garments=int(coupons["garment"].nunique()),
        hours=hours_at_machines(study, coupons, line).minutes / 60,
        by_study=None if offer.rates is None else claim.chance(offer.rates),
        at_rates=tuple(claim.chance(rate) for rate in STATED_RATES),
        needs=claim.rate_for(0.90),
        stops_after=None if offer.rates is None else claim.expected_units(offer.rates),
    )


def _on_garments(study: Study, per_garment: int | None) -> Study:
    """The study with this many coupons on a garment, where that was said."""
    return study if per_garment is None else replace(study, coupons_per_garment=per_garment)


def _ended(
    book: Book, before: Confirmed | None, rule: ClaimPlan, offer: ClaimOffer, give_up: str
) -> dict[str, object] | None:
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
    is_same = weaker and dict(offer.setpoint) == plan.setpoint
    settings = {**before.record.study.held, **offer.setpoint}
    if (
        last.verdict == "accepted"
        and not before.doubts
        and is_same
        and not dialled_otherwise(book, before.record, settings, plan.rounds)
    ):
        raise InputError(
            where, "accepted", "a stronger claim, or another setpoint", "It is confirmed; nothing more is needed."
        )
    return None
