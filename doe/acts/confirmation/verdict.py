"""What a confirmation says so far: the verdict, every attempt, and the study beside it."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from doe.acts.answers import answer_from
from doe.acts.base import RECOMMEND, Key, Progress, usual_seed, version
from doe.acts.confirmation.rules import plan_data, plans_of
from doe.acts.study.counts import confirmation_counts
from doe.acts.study.earlier import hash_now
from doe.acts.study.fits import fit_of
from doe.assure.confirmation.attempts import (
    Attempt,
    ConfirmationPlan,
    ConfirmationVerdict,
    Together,
    assurance_over,
    attempt_of,
    same_setting,
)
from doe.assure.confirmation.combination import combine_with_study
from doe.assure.confirmation.verdict import coupon_states
from doe.book.records import AnalysisRecord, StudyRecord
from doe.domain.errors import InputError
from doe.domain.jsonable import jsonable
from doe.domain.outcome import ScoreCounts
from doe.domain.plan_kinds import CONFIRMATION
from doe.domain.recipe import ConfirmationRecord
from doe.domain.texts import quoted
from doe.domain.units import Shown
from doe.setpoint.answer import Answer
from doe.setpoint.robust import RobustRate
from doe.words.confirmation import plan as words
from doe.words.confirmation.verdict import ConfirmationFacts
from doe.words.dates import local
from reports.confirmation.page import confirmation_page
from reports.files import write_whole

if TYPE_CHECKING:
    from doe.book.book import Book


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
    doubts : tuple of str
        Why the verdict is not about the study's present answer. Full sentences; empty when it is.
    remarks : tuple of str
        What should be known beside the verdict. Full sentences.
    window_held : bool or None
        Whether every corner held; None where no corner was tested, False where the answer's window is another by now.
    over_attempts : float
        Assurance that is left when all attempts at these settings are taken together: each further try is another
        chance to be lucky.
    proof : ConfirmationRecord or None
        For the recipe: given when everything is accepted (setpoint, corners, hand-feel) and there is no doubt.
    setpoint_proof : ConfirmationRecord or None
        The same for the setpoint alone, when a corner did not hold or stays doubtful: a recipe may then be released
        without a window.
    """

    record: StudyRecord
    attempts: tuple[Attempt, ...]
    counts: ScoreCounts
    hash: str
    doubts: tuple[str, ...]
    remarks: tuple[str, ...]
    window_held: bool | None
    over_attempts: float
    proof: ConfirmationRecord | None
    setpoint_proof: ConfirmationRecord | None

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
    together: Together | None
    withheld: str
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
    found = Confirmed(record, attempts, counts, _sum(attempts), doubts, remarks, None, 1.0, None, None)
    found = replace(found, over_attempts=assurance_over(attempts), window_held=_window_held(attempts[-1], window_known))
    record_made = _proof(book, found)
    whole = found.verdict == "accepted" and found.window_held is not False
    return replace(found, setpoint_proof=record_made, proof=record_made if whole else None)


def _standing(book: Book, record: StudyRecord, plan: ConfirmationPlan) -> tuple[tuple[str, ...], tuple[str, ...], bool]:
    """Doubts whether the plan is about the present answer, remarks, and whether its window is the present one."""
    spec, claim = record.study.spec, plan.claim
    remarks = words.claim_below(claim, spec.pass_rate, spec.assurance)
    now = hash_now(book, record)
    fresh = [a for a in book.analyses(record.id) if a.kind == RECOMMEND and a.inputs_hash == now]
    if not fresh:
        return (words.answer_gone(record.name),), tuple(remarks), False
    answer = answer_from(fresh[-1].payload)
    moved = [
        f.label
        for f in record.study.factors
        if not same_setting(answer.setpoint.get(f.name), plan.setpoint.get(f.name))
    ]
    if moved:
        return (words.answer_moved(moved),), tuple(remarks), False
    if answer.verdict == "not reachable":
        return (words.OUT_OF_REACH,), tuple(remarks), False
    same = window_of(answer) == plan.window
    if not same and answer.window is not None:
        remarks.append(words.WINDOW_MOVED)
    return (), tuple(remarks), same or answer.window is None


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


def _proof(book: Book, found: Confirmed) -> ConfirmationRecord | None:
    """Record for a recipe: the setpoint is accepted, hand-feel is good enough, nothing is open or in doubt."""
    attempt, judged = found.current, found.current.judged
    if judged is None or found.doubts or attempt.plan.given_up:
        return None
    corners = {c.role: c.verdict for c in judged.corners}
    is_open = any(corners.get(role, "open") == "open" for role in attempt.plan.corners)
    if judged.setpoint_verdict != "accepted" or judged.hand_verdict not in ("", "good enough") or is_open:
        return None
    kept = [a for a in book.analyses(found.record.id) if a.kind == CONFIRMATION and a.payload.get("sum") == found.hash]
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
        attempts=len(found.attempts),
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
    text = json.dumps(jsonable(parts), sort_keys=True, ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def confirm_study(book: Book, key: Key, *, progress: Progress | None = None) -> Weighed:
    """Judge the confirmation of a study, set the study beside it, and keep the figures in the book.

    Figures of the very same coupons and results, kept earlier, are given again as they were kept.

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
    record = found.record
    now = hash_now(book, record)
    whole = hashlib.sha256(f"{found.hash} {now}".encode()).hexdigest()
    if found.current.judged is None:
        return Weighed(found, None, words.NOT_SCORED, None)
    same = [a for a in book.analyses(record.id) if a.kind == CONFIRMATION and a.inputs_hash == whole]
    if same:
        kept = same[-1].payload["together"]
        together = None if kept is None else Together(**{**kept, "warnings": tuple(kept["warnings"])})
        return Weighed(found, together, same[-1].payload["withheld"], same[-1])
    seed = answer_seed(book, record, now)
    together, withheld = _put_together(book, found, seed, progress)
    book.save_analysis(
        record.id,
        kind=CONFIRMATION,
        inputs_hash=whole,
        seed=seed,
        version=version(),
        payload=jsonable(
            {
                "verdict": found.verdict,
                "sum": found.hash,
                "attempt": found.current.plan.attempt,
                "judged": found.current.judged,
                "together": together,
                "withheld": withheld,
                "doubts": found.doubts,
                "over_attempts": found.over_attempts,
            }
        ),
    )
    return Weighed(found, together, withheld, None)


def answer_seed(book: Book, record: StudyRecord, inputs: str) -> int:
    """Seed of the answer kept to these results, else the study's usual one."""
    kept = [a for a in book.analyses(record.id) if a.kind == RECOMMEND and a.inputs_hash == inputs]
    return kept[-1].seed if kept else usual_seed(record.name)


def _put_together(book: Book, found: Confirmed, seed: int, progress: Progress | None) -> tuple[Together | None, str]:
    """The study's draws, from a fit that saw no confirmation coupon, reweighted by all of those that are settled."""
    study = found.record.study
    rows = pd.concat([attempt.rows for attempt in found.attempts], ignore_index=True)
    checks = [f"check_{check.name}" for check in study.spec.checks]
    rows = rows[rows[checks].notna().any(axis=1)]
    states = coupon_states(rows, study.spec.checks)
    waiting = int((states == "waiting").sum())
    if waiting:
        # failures show before passes do: settled coupons alone would look worse than the line is
        return None, words.withheld(waiting)
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
    combined = combine_with_study(
        rate.draws(here, nodes=64)[:, 0],
        rate.draws(table[names], nodes=64, hand=False),
        table["passed"],
        table["made"],
        worth=table["strokes"] / table["made"],
        target=study.spec.pass_rate,
        assurance=study.spec.assurance,
    )
    return Together(
        study_rate=combined.study_rate,
        study_low=combined.study_low,
        rate=combined.rate,
        low=combined.low,
        p_target=combined.p_target,
        effective_draws=combined.effective_draws,
        surprise=combined.surprise,
        coupons=len(rows),
        counts_hand=rate.uses_hand,
        warnings=combined.warnings,
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


def refuse_folder(output: Path | None) -> None:
    """Refuse a page without a file name, before anything is kept.

    Raises
    ------
    InputError
        If the place is a folder.
    """
    if output is not None and output.is_dir():
        raise InputError(str(output), "a folder", "the name of a file", "Add a file name, such as confirmation.html.")
