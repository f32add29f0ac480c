"""What a confirmation says so far: the verdict, every attempt, and the study beside it."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Literal

from doe.acts.answers import answer_from
from doe.acts.base import RECOMMEND, Key, Progress, version
from doe.acts.confirmation_rules import ConfirmationPlan, plan_data, plans_of
from doe.acts.counts import ScoreCounts, confirmation_counts
from doe.acts.rounds import results_to_learn_from
from doe.domain.errors import InputError
from doe.domain.plan_kinds import CONFIRMATION
from doe.domain.recipe import ConfirmationRecord
from doe.domain.serial import jsonable
from doe.domain.texts import quoted

if TYPE_CHECKING:
    import pandas as pd

    from doe.assure import Confirmation
    from doe.book import AnalysisRecord, Book, StudyRecord
    from doe.domain.study import Study
    from doe.setpoint import Answer

Verdict = Literal["accepted", "not accepted", "open", "given up"]


@dataclass(frozen=True)
class Attempt:
    """One confirmation: its rule, what its coupons say, and how far they are scored.

    Attributes
    ----------
    plan : ConfirmationPlan
    judged : Confirmation or None
        None while no coupon is scored.
    rows : DataFrame
        Its coupons that are not void, as `doe.book.Book.results` gives them, in the order they are counted.
    unscored : int
        Coupons without any check scored.
    missing_units : int
        Units of the claim that no coupon stands for, because it is void: to be made again.
    missing_corners : mapping
        Corner to coupons to make again, because they are void or because the corner is doubtful.
    set_ups : (int, int)
        Batches at oven and press in which the settled coupons at the setpoint were made.
    void : tuple of (str, str)
        Void coupons with the reason.
    voided_failures : tuple of (str, str)
        Those of them that had failed a check.
    spare : int
        Coupons at the setpoint beyond the plan, which do not count: a void one that was made again, and taken back.
    """

    plan: ConfirmationPlan
    judged: Confirmation | None
    rows: pd.DataFrame
    unscored: int
    missing_units: int
    missing_corners: Mapping[str, int]
    set_ups: tuple[int, int]
    void: tuple[tuple[str, str], ...]
    voided_failures: tuple[tuple[str, str], ...]
    spare: int

    @property
    def verdict(self) -> Verdict:
        """Of everything asked; given up only where no verdict was certain."""
        if self.judged is not None and self.judged.verdict != "open":
            return self.judged.verdict
        return "given up" if self.plan.given_up else "open"


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
        Whether every corner held; None where no corner was tested.
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
    def verdict(self) -> Verdict:
        """Of the last attempt."""
        return self.current.verdict


@dataclass(frozen=True)
class Together:
    """Pass rate at the setpoint by the study alone, and by study and confirmation together.

    As in `doe.assure.Combination`; ``coupons`` settled confirmation coupons moved it.
    """

    study_rate: float
    study_low: float
    rate: float
    low: float
    p_target: float
    effective_draws: float
    surprise: float
    coupons: int
    warnings: tuple[str, ...]


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
    found = replace(found, over_attempts=_over_attempts(attempts), window_held=_window_held(attempts[-1], window_known))
    record_made = _proof(book, found)
    whole = found.verdict == "accepted" and found.window_held is not False
    return replace(found, setpoint_proof=record_made, proof=record_made if whole else None)


def attempt_of(study: Study, plan: ConfirmationPlan, frame: pd.DataFrame) -> Attempt:
    """What the coupons of one confirmation say; ``frame`` as `Book.results` gives it, void ones included."""
    from doe.assure import judge_confirmation
    from doe.assure.allocation import SETPOINT
    from doe.assure.confirmation import coupon_states

    mine = frame[frame["round"].isin(plan.rounds)].sort_values(["round", "cure_order"], kind="stable")
    mine = mine.reset_index(drop=True)
    checks = [f"check_{check.name}" for check in study.spec.checks]
    is_void = mine["void"].ne("").to_numpy()
    failed = mine[checks].eq(False).any(axis=1).to_numpy()
    lost = is_void.copy()
    here = mine["role"].eq(SETPOINT).to_numpy()
    if plan.unit == "stroke":
        # a stroke without one of its coupons cannot pass as a whole; it can still fail
        by_stroke = mine["stroke"]
        broken = set(by_stroke[is_void & here]) - set(by_stroke[failed & ~is_void & here])
        lost |= by_stroke.isin(broken).to_numpy() & here
    rows = mine[~lost]
    unit_of = "stroke" if plan.unit == "stroke" else "coupon"
    units = list(dict.fromkeys(rows.loc[rows["role"].eq(SETPOINT), unit_of]))
    counted = set(units[: plan.claim.units])
    spare = rows["role"].eq(SETPOINT) & ~rows[unit_of].isin(counted)
    rows = rows[~spare].reset_index(drop=True)
    touched = rows[checks].notna().any(axis=1)
    begun = set(rows.loc[touched, unit_of])
    judged = None
    if touched.any():
        made = rows[rows["role"].ne(SETPOINT) | rows[unit_of].isin(begun)]
        judged = judge_confirmation(made, plan.claim, study.spec, future_prints=plan.future_prints)
    settled = rows[rows["role"].eq(SETPOINT).to_numpy() & (coupon_states(rows, study.spec.checks) != "waiting")]
    reasons = tuple(zip(mine.loc[is_void, "coupon"], mine.loc[is_void, "void"], strict=True))
    bad = set(mine.loc[is_void & failed, "coupon"])
    return Attempt(
        plan=plan,
        judged=judged,
        rows=rows,
        unscored=int((~touched).sum()),
        missing_units=0
        if judged is not None and judged.setpoint_verdict != "open"
        else plan.claim.units - len(counted),
        missing_corners=_missing_corners(plan, rows, judged),
        set_ups=(int(settled["cure_batch"].nunique()), int(settled["press_batch"].nunique())),
        void=reasons,
        voided_failures=tuple(pair for pair in reasons if pair[0] in bad),
        spare=int(spare.sum()),
    )


def _missing_corners(plan: ConfirmationPlan, rows: pd.DataFrame, judged: Confirmation | None) -> dict[str, int]:
    doubtful = {c.role for c in judged.corners if c.verdict == "doubtful"} if judged else set()
    missing = {}
    for role in plan.corners:
        wanted = plan.corner_coupons * (2 if role in doubtful else 1)
        short = wanted - int(rows["role"].eq(role).sum())
        if short > 0:
            missing[role] = short
    return missing


def _standing(book: Book, record: StudyRecord, plan: ConfirmationPlan) -> tuple[tuple[str, ...], tuple[str, ...], bool]:
    """Doubts whether the plan is about the present answer, remarks, and whether its window is the present one."""
    from doe.acts.fits import inputs_hash
    from reports.wording import listing, stated

    remarks = []
    spec, claim = record.study.spec, plan.claim
    if claim.pass_rate < spec.pass_rate:
        remarks.append(
            f"The claim, {stated(claim.pass_rate)}, is below the pass rate the study wants, {stated(spec.pass_rate)}."
        )
    if claim.assurance < spec.assurance:
        remarks.append(
            f"The assurance of the claim, {stated(claim.assurance)}, is below the study's, {stated(spec.assurance)}."
        )
    now = inputs_hash(record.study, results_to_learn_from(book, record.id))
    if now == plan.inputs_hash:
        return (), tuple(remarks), True
    fresh = [a for a in book.analyses(record.id) if a.kind == RECOMMEND and a.inputs_hash == now]
    if not fresh:
        said = (
            "The results or the study changed after this confirmation was planned, and no answer to them is kept: ask "
            f"for it with doe recommend {quoted(record.name)}."
        )
        return (said,), tuple(remarks), False
    answer = answer_from(fresh[-1].payload)
    moved = [f.label for f in record.study.factors if not _same(answer.setpoint.get(f.name), plan.setpoint.get(f.name))]
    if moved:
        return (
            f"The answer to the present results is another setpoint ({listing(moved)}): this confirmation is about the "
            "old one.",
        ), tuple(remarks), False  # fmt: skip
    if answer.verdict == "not reachable":
        return ("The answer to the present results is: not reachable.",), tuple(remarks), False
    same = window_of(answer) == plan.window
    if not same:
        remarks.append("The window was drawn anew after this confirmation was planned: its corners were not tested.")
    return (), tuple(remarks), same


def window_of(answer: Answer) -> dict[str, tuple[float, float]] | None:
    """Ends of the answer's window by factor."""
    if answer.window is None:
        return None
    bounds = answer.window.bounds.astype(float)
    return {str(name): (float(row["low"]), float(row["high"])) for name, row in bounds.iterrows()}


def _same(a: float | str | None, b: float | str | None) -> bool:
    if isinstance(a, float | int) and isinstance(b, float | int):
        return math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-9)
    return a == b


def _window_held(attempt: Attempt, known: bool) -> bool | None:
    if not attempt.plan.corners or not known:
        return None
    held = {} if attempt.judged is None else {c.role: c.verdict for c in attempt.judged.corners}
    return all(held.get(role) == "held" for role in attempt.plan.corners)


def _over_attempts(attempts: tuple[Attempt, ...]) -> float:
    """Assurance of the last claim over all attempts that could have shown it at the same settings."""
    last = attempts[-1].plan
    wrong = 1.0
    for attempt in attempts:
        plan = attempt.plan
        alike = all(_same(plan.setpoint.get(name), value) for name, value in last.setpoint.items())
        if alike and plan.claim.pass_rate >= last.claim.pass_rate:
            wrong *= 1 - plan.claim.chance(last.claim.pass_rate)
    return wrong


def _proof(book: Book, found: Confirmed) -> ConfirmationRecord | None:
    """Record for a recipe: the setpoint is accepted, hand-feel is good enough, nothing is open or in doubt."""
    attempt, judged = found.current, found.current.judged
    if judged is None or found.doubts or attempt.plan.given_up:
        return None
    corners = {c.role: c.verdict for c in judged.corners}
    is_open = any(corners.get(role, "open") == "open" for role in attempt.plan.corners)
    if judged.setpoint_verdict != "accepted" or judged.hand_verdict not in ("", "good enough") or is_open:
        return None
    kept = [a for a in book.analyses(found.record.id) if a.kind == CONFIRMATION and a.payload["sum"] == found.hash]
    claim = judged.plan
    return ConfirmationRecord(
        claim=claim.pass_rate, assurance=claim.assurance, failures_allowed=claim.failures, units=claim.units,
        unit=attempt.plan.unit, passed=judged.passed, failed=judged.failed, pass_rate_low=judged.limits.low,
        pass_rate_high=judged.limits.high, judged_at=kept[0].made_at if kept else datetime.now(UTC),
        attempts=len(found.attempts),
    )  # fmt: skip


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
    from doe.acts.fits import inputs_hash

    found = confirmation_of(book, key)
    if found is None:
        name = book.study(key).name
        raise InputError(f"confirmation of {name}", "none planned", "a planned confirmation",
                         f"Compare claims with doe confirm {quoted(name)}, then add --plan.")  # fmt: skip
    record = found.record
    now = inputs_hash(record.study, results_to_learn_from(book, record.id))
    whole = hashlib.sha256(f"{found.hash} {now}".encode()).hexdigest()
    if found.current.judged is None:
        return Weighed(found, None, "No confirmation coupon is scored yet.", None)
    same = [a for a in book.analyses(record.id) if a.kind == CONFIRMATION and a.inputs_hash == whole]
    if same:
        kept = same[-1].payload["together"]
        together = None if kept is None else Together(**{**kept, "warnings": tuple(kept["warnings"])})
        return Weighed(found, together, same[-1].payload["withheld"], same[-1])
    seed = answer_seed(book, record, now)
    together, withheld = _put_together(book, found, seed, progress)
    book.save_analysis(
        record.id, kind=CONFIRMATION, inputs_hash=whole, seed=seed, version=version(),
        payload=jsonable({
            "verdict": found.verdict, "sum": found.hash, "attempt": found.current.plan.attempt,
            "judged": found.current.judged, "together": together, "withheld": withheld, "doubts": found.doubts,
            "over_attempts": found.over_attempts,
        }),
    )  # fmt: skip
    return Weighed(found, together, withheld, None)


def answer_seed(book: Book, record: StudyRecord, inputs: str) -> int:
    """Seed of the answer kept to these results, else the study's usual one."""
    from doe.acts.base import usual_seed

    kept = [a for a in book.analyses(record.id) if a.kind == RECOMMEND and a.inputs_hash == inputs]
    return kept[-1].seed if kept else usual_seed(record.name)


def _put_together(book: Book, found: Confirmed, seed: int, progress: Progress | None) -> tuple[Together | None, str]:
    """The study's draws, from a fit that saw no confirmation coupon, reweighted by all of those that are settled."""
    import pandas as pd

    from doe.acts.fits import fit_of
    from doe.assure import combine_with_study
    from doe.assure.confirmation import coupon_states
    from doe.setpoint.robust import RobustRate
    from reports.wording import count

    study = found.record.study
    rows = pd.concat([attempt.rows for attempt in found.attempts], ignore_index=True)
    checks = [f"check_{check.name}" for check in study.spec.checks]
    rows = rows[rows[checks].notna().any(axis=1)]
    states = coupon_states(rows, study.spec.checks)
    waiting = int((states == "waiting").sum())
    if waiting:
        # failures show before passes do: settled coupons alone would look worse than the line is
        wait = "waits" if waiting == 1 else "wait"
        return None, (
            f"{count(waiting, 'coupon')} still {wait} for a check; study and confirmation are put together when none "
            "does."
        )
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
        rate.draws(here, nodes=64)[:, 0], rate.draws(table[names], nodes=64, hand=False),
        table["passed"], table["made"],
        worth=table["strokes"] / table["made"], target=study.spec.pass_rate, assurance=study.spec.assurance,
    )  # fmt: skip
    kept: dict[str, Any] = {
        name: getattr(combined, name) for name in Together.__dataclass_fields__ if name != "coupons"
    }
    return Together(**kept, coupons=len(rows)), ""
