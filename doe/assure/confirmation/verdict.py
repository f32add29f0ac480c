"""Confirmation: accepted, not accepted, or open, and what is missing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import binom

from doe.assure.binomial import pass_rate_low
from doe.assure.confirmation.allocation import CORNER_COUPONS, SETPOINT
from doe.assure.confirmation.claims import ClaimLimits, ClaimPlan, ClaimState, claim_limits
from doe.assure.confirmation.hand_prediction import HandPrediction, predict_hand
from doe.domain.errors import InputError
from doe.domain.outcome import HAND_PREFIX
from doe.domain.spec import Check, Spec

CornerVerdict = Literal["held", "not held", "doubtful", "open"]

CORNER_RISK = 0.05
"""A corner is not held when so many failures would be rarer than this at the wanted pass rate."""

CHECK_PREFIX = "check_"


@dataclass(frozen=True)
class CornerResult:
    """One corner of the window: counts, the exact lower limit of its pass rate, and what it says.

    ``held``: no coupon failed, or one did and as many coupons again showed no further failure. ``doubtful``: some
    failed, no more than chance allows at the wanted rate. ``chance_missed``: probability that a corner where half the
    prints fail would have shown no more failures than this one.
    """

    role: str
    passed: int
    failed: int
    waiting: int
    low: float
    chance_missed: float
    verdict: CornerVerdict


@dataclass(frozen=True)
class Confirmation:
    """Verdict of a confirmation run.

    Attributes
    ----------
    verdict : {"accepted", "not accepted", "open"}
        Of everything asked: claim at the setpoint, corners, hand-feel.
    plan : ClaimPlan
    unit : {"coupon", "stroke"}
    passed, failed, waiting : int
        Units at the setpoint; a stroke passes when all its coupons do.
    to_make : int
        Units of the plan not made yet, 0 once the verdict on the claim is certain.
    setpoint_verdict : {"accepted", "not accepted", "open"}
    limits : ClaimLimits
    corners : tuple of CornerResult
    hand : HandPrediction or None
    hand_verdict : {"good enough", "not good enough", "not shown", ""}
        ``""`` where the spec asks for no hand-feel.
    missing : tuple of str
        What keeps the verdict open. Full sentences.
    reasons : tuple of str
        Why the verdict is what it is. Full sentences.
    void : int
        Void coupons, not counted.
    """

    verdict: ClaimState
    plan: ClaimPlan
    unit: Literal["coupon", "stroke"]
    passed: int
    failed: int
    waiting: int
    to_make: int
    setpoint_verdict: ClaimState
    limits: ClaimLimits
    corners: tuple[CornerResult, ...]
    hand: HandPrediction | None
    hand_verdict: str
    missing: tuple[str, ...]
    reasons: tuple[str, ...]
    void: int


def coupon_states(frame: pd.DataFrame, checks: Sequence[Check]) -> NDArray[np.str_]:
    """``passed``, ``failed`` or ``waiting`` for each coupon, shape (coupons,).

    One failed check settles a coupon; to pass it needs every check, washes included.

    Parameters
    ----------
    frame : DataFrame
        ``check_<name>`` columns (True, False, missing); without any, ``passed``.
    checks : sequence of Check

    Raises
    ------
    InputError
        If the frame has neither checks nor passes.
    """
    columns = [CHECK_PREFIX + c.name for c in checks if CHECK_PREFIX + c.name in frame.columns]
    if not columns and "passed" not in frame.columns:
        raise InputError(
            "confirmation", ", ".join(map(str, frame.columns)), "check columns, or passed", "Score the coupons."
        )
    table = frame[columns or ["passed"]]
    scored = table.notna().to_numpy()
    good = table.where(scored, False).astype(bool).to_numpy()
    failed = (scored & ~good).any(axis=1)
    whole = good.all(axis=1) & (not columns or len(columns) == len(checks))
    return np.where(failed, "failed", np.where(whole, "passed", "waiting"))


def judge_confirmation(
    frame: pd.DataFrame,
    plan: ClaimPlan,
    spec: Spec,
    *,
    future_prints: int = 10,
) -> Confirmation:
    """Judge a confirmation run.

    Parameters
    ----------
    frame : DataFrame
        One row a coupon: ``role`` (``setpoint``, ``corner 1`` ...; all at the setpoint without it), ``check_<name>`` or
        ``passed``, optional ``stroke``, ``hand_<person>``, ``void``. Rows with a void reason do not count.
    plan : ClaimPlan
        Fixed before the coupons were made.
    spec : Spec
        Checks, wanted pass rate and hand-feel.
    future_prints : int
        Hand-feel is judged for the mean of so many further prints; 1 asks it of every single print.

    Returns
    -------
    Confirmation

    Raises
    ------
    InputError
        If nothing was made, or more units at the setpoint than planned (adding units until a rule is met proves less
        than it says).
    """
    void = frame["void"].fillna("").astype(str).ne("") if "void" in frame.columns else pd.Series(False, frame.index)
    rows = frame[~void].reset_index(drop=True)
    rows = rows.assign(
        role=rows["role"] if "role" in rows.columns else SETPOINT, state=coupon_states(rows, spec.checks)
    )
    if rows.empty:
        raise InputError(
            "confirmation", "no coupon", "coupons at the setpoint or a corner", "Make the planned coupons."
        )
    here = rows[rows["role"] == SETPOINT]
    unit, units = _units(here)
    if len(units) > plan.units:
        raise InputError(
            "confirmation",
            f"{len(units)} {unit}s at the setpoint",
            f"at most the {plan.units} planned",
            "Judge the planned ones; for more, plan a new confirmation.",
        )
    passed, failed, waiting = (int((units["state"] == s).sum()) for s in ("passed", "failed", "waiting"))
    at_setpoint = plan.state(passed, failed)
    limits = claim_limits(plan, passed, failed, waiting, any_passed=int(units["any"].sum()))
    to_make = 0 if at_setpoint != "open" else plan.units - len(units)
    corners = tuple(judge_corner(role, part, spec) for role, part in rows[rows["role"] != SETPOINT].groupby("role"))
    hand, hand_verdict, hand_missing = _hand(here, spec, future_prints)
    missing = _missing(rows, spec, at_setpoint, unit, waiting, to_make, corners) + hand_missing
    bad = at_setpoint == "not accepted" or any(c.verdict == "not held" for c in corners)
    bad = bad or hand_verdict == "not good enough"
    verdict: ClaimState = "not accepted" if bad else "open" if missing else "accepted"
    return Confirmation(
        verdict=verdict,
        plan=plan,
        unit=unit,
        passed=passed,
        failed=failed,
        waiting=waiting,
        to_make=to_make,
        setpoint_verdict=at_setpoint,
        limits=limits,
        corners=corners,
        hand=hand,
        hand_verdict=hand_verdict,
        missing=() if bad else missing,
        reasons=_reasons(plan, unit, passed, failed, at_setpoint, limits, corners, hand, hand_verdict, spec),
        void=int(void.sum()),
    )


def _units(here: pd.DataFrame) -> tuple[Literal["coupon", "stroke"], pd.DataFrame]:
    """State of each unit, and whether any of its coupons passed or still may."""
    if "stroke" not in here.columns or here["stroke"].is_unique or here["stroke"].isna().all():
        return "coupon", pd.DataFrame({"state": here["state"], "any": here["state"] != "failed"})
    grouped = here.groupby("stroke", sort=False)["state"]
    failed = grouped.apply(lambda s: (s == "failed").any())
    whole = grouped.apply(lambda s: (s == "passed").all())
    state = np.where(failed, "failed", np.where(whole, "passed", "waiting"))
    return "stroke", pd.DataFrame({"state": state, "any": grouped.apply(lambda s: (s != "failed").any())})


def judge_corner(role: object, part: pd.DataFrame, spec: Spec) -> CornerResult:
    """What the coupons of one corner say; column ``state`` as `coupon_states` gives."""
    passed, failed, waiting = (int((part["state"] == s).sum()) for s in ("passed", "failed", "waiting"))
    made = passed + failed + waiting
    missed = float(binom.cdf(failed, made, 0.5))
    verdict: CornerVerdict
    if failed and float(binom.sf(failed - 1, made, 1 - spec.pass_rate)) < CORNER_RISK:
        verdict = "not held"
    elif waiting:
        verdict = "open"
    else:
        # after as many again, one failure tells no less against a bad corner than none did among the first few
        settled = not failed or missed <= 0.5**CORNER_COUPONS
        verdict = "held" if settled else "doubtful"
    return CornerResult(
        role=str(role),
        passed=passed,
        failed=failed,
        waiting=waiting,
        low=pass_rate_low(passed, made, spec.assurance),
        chance_missed=missed,
        verdict=verdict,
    )


def _hand(here: pd.DataFrame, spec: Spec, future: int) -> tuple[HandPrediction | None, str, tuple[str, ...]]:
    if spec.hand_min is None:
        return None, "", ()
    columns = [c for c in here.columns if str(c).startswith(HAND_PREFIX)]
    scored = here[columns].notna().any(axis=1).sum() if columns else 0
    if scored < 2:
        few = f"{scored} coupon{'s were' if scored != 1 else ' was'}"
        return None, "not shown", (f"Hand-feel is in the spec, and {few} scored for it: score more.",)
    found = predict_hand(here, future=future, assurance=spec.assurance)
    if found.low >= spec.hand_min:
        return found, "good enough", ()
    if found.high < spec.hand_min:
        return found, "not good enough", ()
    margin = found.mean - spec.hand_min
    # the limit cannot come nearer to the mean than the scatter of the prints it is about
    floor = (found.mean - found.low) / math.sqrt(1 / found.coupons + 1 / future) / math.sqrt(future)
    if margin > floor:
        said = "a few more scored coupons would settle it."
    else:
        said = "more coupons will not settle it: single prints differ too much, or the mean is too near the limit."
    return (
        found,
        "not shown",
        (
            f"Hand-feel: mean {found.mean:.1f}, but {_prints(future)} may come out as low as {found.low:.1f}, below "
            f"the {spec.hand_min:g} wanted; {said}",
        ),
    )


def _missing(
    rows: pd.DataFrame,
    spec: Spec,
    at_setpoint: ClaimState,
    unit: str,
    waiting: int,
    to_make: int,
    corners: Sequence[CornerResult],
) -> tuple[str, ...]:
    said = []
    if at_setpoint == "open":
        if to_make:
            said.append(f"{to_make} {unit}{'s' if to_make > 1 else ''} of the plan not made yet.")
        if waiting:
            said.append(
                f"{waiting} {unit}{'s' if waiting > 1 else ''} at the setpoint wait for: "
                f"{_waiting_for(rows[rows['role'] == SETPOINT], spec)}."
            )
    for c in corners:
        if c.verdict == "open":
            part = rows[rows["role"] == c.role]
            said.append(
                f"{c.waiting} coupon{'s' if c.waiting > 1 else ''} at {c.role} wait for: {_waiting_for(part, spec)}."
            )
        if c.verdict == "doubtful":
            said.append(
                f"{c.role}: {c.failed} of {c.passed + c.failed} failed, which chance alone allows; make as many again "
                "there, or take a smaller window."
            )
    return tuple(said)


def _waiting_for(part: pd.DataFrame, spec: Spec) -> str:
    open_rows = part[part["state"] == "waiting"]
    labels = []
    for check in spec.checks:
        column = CHECK_PREFIX + check.name
        count = len(open_rows) if column not in part.columns else int(open_rows[column].isna().sum())
        if count:
            labels.append(f"{check.label} ({count})")
    return ", ".join(labels)


def _reasons(
    plan: ClaimPlan,
    unit: str,
    passed: int,
    failed: int,
    at_setpoint: ClaimState,
    limits: ClaimLimits,
    corners: Sequence[CornerResult],
    hand: HandPrediction | None,
    hand_verdict: str,
    spec: Spec,
) -> tuple[str, ...]:
    forgiven = (
        "no failure" if plan.failures == 0 else f"at most {plan.failures} failure{'s' if plan.failures > 1 else ''}"
    )
    rule = f"{plan.units} {unit}s with {forgiven} show {plan.pass_rate:.0%} with {plan.assurance:.0%} assurance"
    counted = f"{passed} passed, {failed} failed"
    said = {
        "accepted": f"The setpoint is confirmed: {rule}; {counted}. The pass rate is at least {_down(limits.low)}.",
        "not accepted": f"The setpoint is not confirmed: {rule}; {counted}. The pass rate may be as low as "
        f"{_down(limits.low)} and is at most {_up(limits.high)}.",
        "open": f"The setpoint is still open: {rule}; so far {counted}.",
    }
    reasons = [said[at_setpoint]]
    for c in corners:
        if c.verdict == "not held":
            made = c.passed + c.failed + c.waiting
            reasons.append(
                f"The window does not hold at {c.role}: {c.failed} of {made} failed. Draw the window in on that side "
                "and confirm again; the setpoint stands by itself."
            )
        elif c.verdict == "held":
            reasons.append(
                f"{c.role}: {c.passed} passed, {c.failed} failed; a corner where half the prints fail would have shown "
                f"more failures {1 - c.chance_missed:.0%} of the time."
            )
    if hand is not None and hand_verdict == "good enough":
        reasons.append(
            f"Hand-feel: {_prints(hand.future)} will be {hand.low:.1f} or softer; {spec.hand_min:g} is wanted."
        )
    if hand is not None and hand_verdict == "not good enough":
        reasons.append(
            f"Hand-feel: {_prints(hand.future)} will stay below {hand.high:.1f}; {spec.hand_min:g} is wanted."
        )
    return tuple(reasons)


def _down(limit: float) -> str:
    """A lower limit in percent, never rounded to more than it holds."""
    return f"{math.floor(round(limit * 1000, 6)) / 10:.1f}%"


def _up(limit: float) -> str:
    """An upper limit in percent, never rounded to less than it holds."""
    return f"{math.ceil(round(limit * 1000, 6)) / 10:.1f}%"


def _prints(future: int) -> str:
    return "a single print" if future == 1 else f"the mean of {future} prints"
