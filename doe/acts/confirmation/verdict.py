"""Rules of confirmations as the book keeps them, and what one says so far: verdict, attempts, and what is next."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from doe.acts.base import RECOMMEND, Key, Progress, digest, usual_seed, version
from doe.acts.gauges.line import dialled_otherwise
from doe.acts.study.fits import answer_from, fit_of
from doe.acts.study.inputs import hash_now
from doe.acts.study.rounds import confirmation_counts
from doe.acts.verdicts import verdict_changed
from doe.assure.confirmation.allocation import endured_levels
from doe.assure.confirmation.attempts import (
    Attempt,
    Combination,
    ConfirmationPlan,
    ConfirmationVerdict,
    assurance_over,
    attempt_of,
    combine_with_study,
    same_setting,
)
from doe.assure.confirmation.claims import ClaimPlan
from doe.assure.confirmation.verdict import coupon_states
from doe.book.book import Book
from doe.book.records import AnalysisRecord, StudyRecord
from doe.domain.errors import InputError, quoted
from doe.domain.finding import Finding, finding_of
from doe.domain.jsonable import jsonable, named
from doe.domain.outcome import ScoreCounts
from doe.domain.plan_kinds import CONFIRMATION, CONFIRMATION_PLAN, REPLACEMENT
from doe.domain.recipe import ConfirmationRecord, stack_differences
from doe.domain.serial import from_plain
from doe.domain.standing import NextStep
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.setpoint.answer import Answer
from doe.setpoint.robust import RobustRate
from doe.words.confirmation.verdict import ConfirmationFacts, code_of
from doe.words.study.answer import look_again
from doe.words.wording import local
from reports.confirmation.page import confirmation_page
from reports.files import write_whole


@dataclass(frozen=True)
class Confirmed:
    """The confirmation of a study as it stands, counted and without any fit.

    Attributes
    ----------
    record : StudyRecord
    attempts : tuple of Attempt
        Every confirmation ever planned, oldest first; none is erased by a later one.
    counts : ScoreCounts
        Of all confirmation coupons.
    hash : str
        Sum over the rules and the scored confirmation coupons.
    doubts : tuple of Finding
        Why the verdict is not about the study's present answer; empty when it is.
    remarks : tuple of Finding
        What should be known beside the verdict.
    window_held : bool or None
        Whether every corner held; None where no corner was tested, False where the answer's window is another by now.
    over_attempts : float
        Assurance that is left when all attempts at these settings are taken together: each further try is another
        chance to be lucky.
    before : int
        Attempts that other studies made earlier of the same settings, materials and line; they are counted in it.
    proof : ConfirmationRecord or None
        For the recipe: given when everything is accepted (setpoint, corners, hand-feel) and there is no doubt.
    setpoint_proof : ConfirmationRecord or None
        The same for the setpoint alone, when a corner did not hold or stays doubtful: a recipe may then be released
        without a window.
    dial_moved : bool
        Whether readings since then would have another temperature dialled in, at which no coupon was made: it is not
        released before it was confirmed again.
    """

    record: StudyRecord
    attempts: tuple[Attempt, ...]
    counts: ScoreCounts
    hash: str
    doubts: tuple[Finding, ...]
    remarks: tuple[Finding, ...]
    window_held: bool | None
    over_attempts: float
    before: int
    proof: ConfirmationRecord | None
    setpoint_proof: ConfirmationRecord | None
    dial_moved: bool = False

    @property
    def current(self) -> Attempt:
        """The last attempt."""
        return self.attempts[-1]

    @property
    def verdict(self) -> ConfirmationVerdict:
        """Of the last attempt."""
        return self.current.verdict


@dataclass(frozen=True)
class Weighed:
    """A confirmation with the study beside it; ``together`` is None while coupons wait, ``withheld`` says why.

    ``kept`` is the record of the same figures when they were in the book already.
    """

    confirmed: Confirmed
    together: Combination | None
    withheld: Finding | str
    kept: AnalysisRecord | None


def confirmation_of(book: Book, key: Key) -> Confirmed | None:
    """The confirmation of a study as it stands; None when none was ever planned. Looking stores nothing."""
    plans = plans_of(book, key)
    if not plans:
        return None
    record = book.study(key)
    frame = book.results(record.id, include_void=True)
    attempts = tuple(attempt_of(record.study, plan, frame) for plan in plans)
    counts = confirmation_counts(book, record.id)
    assert counts is not None  # a rule is stored together with its coupons
    doubts, remarks, window_known = _standing(book, record, plans[-1])
    last = attempts[-1]

    def is_same(kept: Mapping[str, Any]) -> bool:
        return bool(kept.get("attempt") == last.plan.attempt)

    remarks = (*verdict_changed(book, record.id, CONFIRMATION, last.verdict, same=is_same), *remarks)
    earlier = _tried_before(book, record, last)
    tried = assurance_over((*(attempt for _, attempt in earlier), *attempts))
    if earlier:
        came = tuple(f"{name}: {attempt.verdict}" for name, attempt in earlier)
        remarks = (Finding("tried_before", {"tries": len(earlier), "came": came, "assurance": tried}), *remarks)
    inputs, held = _sum(attempts), _window_held(attempts[-1], window_known)
    alone = None if doubts else _proof(book, record, attempts, inputs, before=len(earlier))
    whole = attempts[-1].verdict == "accepted" and held is not False
    return Confirmed(
        record=record,
        attempts=attempts,
        counts=counts,
        hash=inputs,
        doubts=doubts,
        remarks=remarks,
        window_held=held,
        over_attempts=tried,
        before=len(earlier),
        proof=alone if whole else None,
        setpoint_proof=alone,
        dial_moved=alone is not None and _dial_moved(book, record, last.plan),
    )


def _dial_moved(book: Book, record: StudyRecord, plan: ConfirmationPlan) -> bool:
    with suppress(InputError):  # its line is no longer in the book
        return bool(dialled_otherwise(book, record, {**record.study.held, **plan.setpoint}, plan.rounds))
    return False


def _tried_before(book: Book, record: StudyRecord, last: Attempt) -> tuple[tuple[str, Attempt], ...]:
    """Scored confirmations that other studies made earlier of what this one asks, with the names of these studies.

    It is the same question where line, materials and settings are the same, settings within their setting errors.
    Asked often enough it is answered by yes in the end, whatever study it is asked in; one that was put away counts.
    """
    study, asked = record.study, last.plan.setpoint

    def alike(setpoint: Mapping[str, Any]) -> bool:
        if setpoint.keys() != asked.keys():
            return False
        return all(
            abs(float(setpoint[f.name]) - float(asked[f.name])) <= max(f.setting_sd, 1e-9)
            if not f.is_categorical
            else setpoint[f.name] == asked[f.name]
            for f in study.factors
        )

    planned = book.analyses_of_kind(CONFIRMATION_PLAN)
    begun = min(a.made_at for number, a in planned if number == record.id)
    others = {n for n, a in planned if n != record.id and a.made_at < begun and alike(a.payload["setpoint"])}
    found = []
    for other in (book.study(number) for number in sorted(others)):
        differ = any(d.kind != "same" for d in stack_differences(other.stack, record.stack))
        if differ or other.line.name != record.line.name:
            continue
        frame = book.results(other.id, include_void=True)
        tried = (attempt_of(other.study, plan, frame) for plan in plans_of(book, other.id) if alike(plan.setpoint))
        found += [
            (other.name, replace(attempt, plan=replace(attempt.plan, setpoint=asked)))
            for attempt in tried
            if attempt.judged is not None
        ]
    return tuple(found)


def planned_confirmation(book: Book, key: Key) -> Confirmed:
    """The same where one must be there.

    Raises
    ------
    InputError
        If no confirmation is planned.
    """
    found = confirmation_of(book, key)
    if found is None:
        name = book.study(key).name
        raise InputError(
            f"confirmation of {name}",
            "none planned",
            "a planned confirmation",
            f"Compare claims with doe confirm {quoted(name)}, then add --plan.",
        )
    return found


def _standing(
    book: Book, record: StudyRecord, plan: ConfirmationPlan
) -> tuple[tuple[Finding, ...], tuple[Finding, ...], bool]:
    """Doubts whether the plan is about the present answer, remarks, and whether its window is the present one."""
    spec, claim = record.study.spec, plan.claim
    remarks = [*on_every_level(record.study, claim)]
    if claim.pass_rate < spec.pass_rate:
        remarks.append(Finding("claim_below", {"claim": claim.pass_rate, "wanted": spec.pass_rate}))
    if claim.assurance < spec.assurance:
        remarks.append(Finding("assurance_below", {"assurance": claim.assurance, "wanted": spec.assurance}))
    if record.study.known is not None:
        beyond = record.study.beyond_limits
        doubts = (Finding("known_beyond", {"factors": beyond}),) if beyond else ()
        return doubts, (*remarks, Finding("not_searched")), True
    kept = _answer_kept(book, record, hash_now(book, record))
    if kept is None:
        return (Finding("answer_gone", {"study": record.name}),), tuple(remarks), False
    answer = answer_from(kept.payload)
    moved = [n for n in record.study.factor_names if not same_setting(answer.setpoint.get(n), plan.setpoint.get(n))]
    if moved:
        return (Finding("answer_moved", {"factors": tuple(moved)}),), tuple(remarks), False
    if answer.verdict == "not reachable":
        return (Finding("out_of_reach"),), tuple(remarks), False
    if names := look_again(answer):
        remarks.append(Finding("map_distrusted", {"names": names}))
    same = window_of(answer) == plan.window
    if not same and answer.window is not None:
        remarks.append(Finding("window_moved"))
    return (), tuple(remarks), same or answer.window is None


def on_every_level(study: Study, claim: ClaimPlan | None = None) -> tuple[Finding, ...]:
    """That a claim must hold on each level of endured factors; a rule of an older version counts them together."""
    names = tuple(f.name for f in study.endured)
    if not names:
        return ()
    pooled = claim is not None and claim.levels != endured_levels(study)
    return (Finding("levels_together" if pooled else "on_every_level", {"factors": names}),)


def _answer_kept(book: Book, record: StudyRecord, inputs: str) -> AnalysisRecord | None:
    """The newest answer to these results."""
    kept = [a for a in book.analyses(record.id, RECOMMEND) if a.inputs_hash == inputs]
    return kept[-1] if kept else None


def window_of(answer: Answer) -> dict[str, tuple[float, float]] | None:
    """Ends of the answer's window by factor."""
    if answer.window is None:
        return None
    bounds = answer.window.bounds.astype(float)
    return {str(name): (float(row["low"]), float(row["high"])) for name, row in bounds.iterrows()}


def _window_held(attempt: Attempt, known: bool) -> bool | None:
    if not known:  # the window that a recipe would carry is not the one that was tested
        return False
    if not attempt.plan.corners:
        return None
    held = {} if attempt.judged is None else {c.role: c.verdict for c in attempt.judged.corners}
    return all(held.get(role) == "held" for role in attempt.plan.corners)


def _proof(
    book: Book, record: StudyRecord, attempts: tuple[Attempt, ...], inputs: str, *, before: int
) -> ConfirmationRecord | None:
    """Record for a recipe: the setpoint is accepted, hand-feel is good enough, nothing is open."""
    attempt, judged = attempts[-1], attempts[-1].judged
    if judged is None or attempt.plan.given_up:
        return None
    corners = {c.role: c.verdict for c in judged.corners}
    is_open = any(corners.get(role, "open") == "open" for role in attempt.plan.corners)
    if judged.setpoint_verdict != "accepted" or judged.hand_verdict not in ("", "good enough") or is_open:
        return None
    kept = [a for a in book.analyses(record.id, CONFIRMATION) if a.payload.get("sum") == inputs]
    claim = judged.plan
    return ConfirmationRecord(
        claim=claim.pass_rate,
        assurance=claim.assurance,
        failures_allowed=claim.failures,
        units=claim.units,
        unit=attempt.plan.unit,
        passed=judged.passed,
        failed=judged.failed,
        pass_rate_low=judged.limits.low,
        pass_rate_high=judged.limits.high,
        judged_at=kept[0].made_at if kept else datetime.now(UTC),
        attempts=len(attempts) + before,
        levels=claim.levels,
    )


def _sum(attempts: tuple[Attempt, ...]) -> str:
    """SHA-256 over rules and scored coupons."""
    parts = []
    for attempt in attempts:
        rows = attempt.rows
        columns = [c for c in rows.columns if str(c).startswith(("check_", "hand_"))]
        scored = rows[rows[columns].notna().any(axis=1)][["coupon", "role", *sorted(columns)]]
        parts.append(
            [plan_data(attempt.plan), attempt.plan.given_up, jsonable(scored.to_dict("records")), attempt.void]
        )
    return digest(jsonable(parts))


def confirm_study(book: Book, key: Key, *, progress: Progress | None = None) -> Weighed:
    """Judge the confirmation of a study, set the study beside it, and keep the figures in the book.

    Raises
    ------
    InputError
        If no confirmation is planned.
    """
    weighed, whole, seed = _weigh(book, key, progress)
    found = weighed.confirmed
    if whole:
        book.save_analysis(
            found.record.id,
            kind=CONFIRMATION,
            inputs_hash=whole,
            seed=seed,
            version=version(),
            payload=jsonable(
                {
                    **named(found, "verdict", "doubts", "over_attempts"),
                    "sum": found.hash,
                    "attempt": found.current.plan.attempt,
                    "judged": found.current.judged,
                    "together": weighed.together,
                    "withheld": weighed.withheld,
                }
            ),
        )
    return weighed


def weigh_confirmation(book: Book, key: Key) -> Weighed:
    """The same for somebody who only looks: nothing is stored.

    Raises
    ------
    InputError
        If no confirmation is planned.
    """
    return _weigh(book, key, None)[0]


def _weigh(book: Book, key: Key, progress: Progress | None) -> tuple[Weighed, str, int]:
    """A confirmation with the study beside it; what it is to be kept under, ``""`` where it is not, and its seed.

    Figures of the very same coupons and results, kept earlier, are given again as they were kept.
    """
    found = planned_confirmation(book, key)
    record = found.record
    now = hash_now(book, record)
    whole = hashlib.sha256(f"{found.hash} {now}".encode()).hexdigest()
    if found.current.judged is None:
        return Weighed(found, None, Finding("not_scored"), None), "", 0
    same = [a for a in book.analyses(record.id, CONFIRMATION) if a.inputs_hash == whole]
    if same:
        kept = same[-1].payload["together"]
        together = None if kept is None else from_plain(Combination, kept)
        return Weighed(found, together, finding_of(same[-1].payload["withheld"]), same[-1]), "", 0
    answer = _answer_kept(book, record, now)
    seed = answer.seed if answer else usual_seed(record.first_name)
    together, withheld = _put_together(book, found, seed, progress)
    return Weighed(found, together, withheld, None), whole, seed


def _put_together(
    book: Book, found: Confirmed, seed: int, progress: Progress | None
) -> tuple[Combination | None, Finding | str]:
    """The study's draws, from a fit that saw no confirmation coupon, reweighted by all of those that are settled."""
    study = found.record.study
    if study.known is not None:
        return None, Finding("nothing_beside")
    rows = pd.concat([attempt.rows for attempt in found.attempts], ignore_index=True)
    checks = [f"check_{check.name}" for check in study.spec.checks]
    rows = rows[rows[checks].notna().any(axis=1)]
    states = coupon_states(rows, study.spec.checks)
    waiting = int((states == "waiting").sum())
    if waiting:
        # failures show before passes do: settled coupons alone would look worse than the line is
        return None, Finding("coupons_wait", {"coupons": waiting})
    names = list(study.factor_names)
    table = (
        rows.assign(good=states == "passed")
        .groupby(names, sort=False)
        .agg(made=("good", "size"), passed=("good", "sum"), strokes=("stroke", "nunique"))
        .reset_index()
    )
    surfaces = fit_of(book, found.record, seed, progress).surfaces
    rate = RobustRate(study, surfaces)
    here = pd.DataFrame([{name: found.current.plan.setpoint[name] for name in names}])
    return combine_with_study(
        rate.draws(here, nodes=64)[:, 0],
        rate.draws(table[names], nodes=64, hand=False),
        table["passed"],
        table["made"],
        worth=table["strokes"] / table["made"],
        target=study.spec.pass_rate,
        assurance=study.spec.assurance,
        counts_hand=rate.uses_hand,
    ), ""


def confirmation_facts(weighed: Weighed) -> ConfirmationFacts:
    """What pages and terminals say about a confirmation."""
    found = weighed.confirmed
    return ConfirmationFacts(
        found.record.study,
        found.attempts,
        weighed.together,
        weighed.withheld,
        found.doubts,
        found.remarks,
        found.over_attempts,
    )


def write_confirmation(weighed: Weighed, output: Path, *, shown: Shown, made_by: str) -> Path:
    """Write the confirmation as a page of its own.

    Raises
    ------
    InputError
        If the place cannot be written.
    """
    record = weighed.confirmed.record
    page = confirmation_page(
        confirmation_facts(weighed),
        record.stack,
        record.line,
        made_at=local(datetime.now(UTC)),
        made_by=made_by,
        shown=shown,
    )
    return write_whole(output, page)


MORE_COUPONS = 8
"""Of a further round, where a setpoint was not confirmed."""


def after_confirmation(found: Confirmed) -> tuple[NextStep, ...]:
    """What follows a confirmation as it stands, the most urgent first."""
    attempt, judged = found.current, found.current.judged
    is_known = found.record.study.known is not None
    if found.doubts:
        return (NextStep("limits" if is_known else "recommend"),)
    steps = []
    if attempt.verdict == "open":
        if attempt.missing_units or attempt.missing_corners:
            steps.append(NextStep("make_again"))
        if judged is None:
            steps.append(NextStep("make", round=attempt.plan.rounds[-1]))
        elif attempt.unscored:
            steps.append(NextStep("score"))
        elif judged.waiting or any(c.waiting for c in judged.corners):
            steps.append(NextStep("washes"))
    elif found.setpoint_proof is not None:
        steps.append(NextStep("confirm" if found.dial_moved else "release"))
    else:
        steps.append(NextStep("confirm") if is_known else NextStep("extend", coupons=MORE_COUPONS))
    return (*steps, *((NextStep("confirmation_page"),) if judged is not None else ()))


def plan_data(plan: ConfirmationPlan, *, gives_up: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """A rule as what JSON takes; ``gives_up`` names the attempt that it puts an end to, and why."""
    data: dict[str, Any] = jsonable(plan)
    for name in ("id", "made_at", "made_by", "given_up", "inputs_hash"):  # the book keeps these beside it
        del data[name]
    # the verdict is for lists of studies: until coupons are scored, this is how far it has come
    return data | {"gives_up": dict(gives_up) if gives_up else None, "verdict": "planned"}


def plans_of(book: Book, key: Key) -> tuple[ConfirmationPlan, ...]:
    """Every confirmation ever planned for a study, oldest first."""
    plans = book.analyses(key, CONFIRMATION_PLAN)
    ends = {a.payload["gives_up"]["attempt"]: str(a.payload["gives_up"]["why"]) for a in plans if a.payload["gives_up"]}
    further: dict[int, list[int]] = {}
    for a in book.analyses(key, REPLACEMENT):
        further.setdefault(int(a.payload["attempt"]), []).append(int(a.payload["round"]))
    return tuple(
        _plan_from(a, further.get(int(a.payload["attempt"]), ()), ends.get(a.payload["attempt"], "")) for a in plans
    )


def code_now(book: Book, key: Key) -> str:
    """What the last confirmation of a study comes to as it stands, by `doe.words.confirmation.verdict.code_of`."""
    study, frame = book.study(key).study, book.results(key, include_void=True)
    return code_of(attempt_of(study, plans_of(book, key)[-1], frame))


def verdicts_now(book: Book, key: Key) -> tuple[tuple[int, ConfirmationVerdict], ...]:
    """Number and verdict of every confirmation of a study, judged anew, oldest first."""
    study, frame = book.study(key).study, book.results(key, include_void=True)
    return tuple((plan.attempt, attempt_of(study, plan, frame).verdict) for plan in plans_of(book, key))


def _plan_from(kept: AnalysisRecord, further: Sequence[int], given_up: str) -> ConfirmationPlan:
    data = {
        **kept.payload,
        **named(kept, "id", "inputs_hash"),
        "points": pd.DataFrame(kept.payload["points"]),
        "rounds": (*kept.payload["rounds"], *further),
        "given_up": given_up,
    }
    return replace(from_plain(ConfirmationPlan, data), made_at=kept.made_at, made_by=kept.made_by)
