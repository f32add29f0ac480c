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
from doe.domain.finding import Finding
from doe.domain.outcome import HAND_PREFIX
from doe.domain.spec import Check, Spec

CornerVerdict = Literal["held", "not held", "doubtful", "open"]

HandVerdict = Literal["good enough", "not good enough", "not shown", ""]

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
    hand_verdict : HandVerdict
        ``""`` where the spec asks for no hand-feel.
    missing : tuple of Finding
        What keeps the verdict open: ``to_make`` (unit, units), ``waiting`` (role, unit, waiting, and what for: name and
        number of each check), ``doubtful`` (role, failed, of), ``hand_unscored`` (coupons), ``hand_open`` (mean, low,
        wanted, future), ``hand_unsettled`` (the same, where more coupons would not settle it). Empty once the verdict
        is certain.
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
    hand_verdict: HandVerdict
    missing: tuple[Finding, ...]


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
        One row a coupon that is not void, at least one: ``role`` (``setpoint``, ``corner 1`` ...), ``check_<name>`` or
        ``passed``, optional ``stroke``, ``hand_<person>``.
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
        If there are more units at the setpoint than planned (adding units until a rule is met proves less than it
        says).
    """
    rows = frame.assign(state=coupon_states(frame, spec.checks))
    here = rows[rows["role"] == SETPOINT]
    unit, units = _units(here)
    if len(units) > plan.units:
        raise InputError(
            "confirmation",
            f"{len(units)} {unit}s at the setpoint",
            f"at most the {plan.units} planned",
            "Judge the planned ones; for more, plan a new confirmation.",
        )
    passed, failed, waiting = _counted(units["state"])
    at_setpoint = plan.state(passed, failed)
    to_make = 0 if at_setpoint != "open" else plan.units - len(units)
    corners = tuple(judge_corner(role, part, spec) for role, part in rows[rows["role"] != SETPOINT].groupby("role"))
    hand, hand_verdict, hand_missing = _hand(here, spec, future_prints)
    missing = [Finding("to_make", {"unit": unit, "units": to_make})] if to_make else []
    if at_setpoint == "open" and waiting:
        missing.append(_waiting(rows, SETPOINT, unit, waiting, spec))
    for c in corners:
        if c.verdict == "open":
            missing.append(_waiting(rows, c.role, "coupon", c.waiting, spec))
        elif c.verdict == "doubtful":
            missing.append(Finding("doubtful", {"role": c.role, "failed": c.failed, "of": c.passed + c.failed}))
    missing += hand_missing
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
        limits=claim_limits(plan, passed, failed, waiting, any_passed=int(units["any"].sum())),
        corners=corners,
        hand=hand,
        hand_verdict=hand_verdict,
        missing=() if bad else tuple(missing),
    )


def _counted(states: pd.Series) -> tuple[int, int, int]:
    """How many passed, failed and wait."""
    passed, failed, waiting = (int((states == state).sum()) for state in ("passed", "failed", "waiting"))
    return passed, failed, waiting


def _waiting(rows: pd.DataFrame, role: str, unit: str, waiting: int, spec: Spec) -> Finding:
    """What the coupons at a place wait for: each check with how many want it."""
    there = rows[(rows["role"] == role) & (rows["state"] == "waiting")]
    table = there.reindex(columns=[CHECK_PREFIX + check.name for check in spec.checks]).isna().sum()
    wanted = tuple((str(name).removeprefix(CHECK_PREFIX), int(n)) for name, n in table.items() if n)
    return Finding("waiting", {"role": role, "unit": unit, "waiting": waiting, "checks": wanted})


def _units(here: pd.DataFrame) -> tuple[Literal["coupon", "stroke"], pd.DataFrame]:
    """State of each unit, and whether any of its coupons passed or still may."""
    if "stroke" not in here.columns or here["stroke"].is_unique or here["stroke"].isna().all():
        return "coupon", pd.DataFrame({"state": here["state"], "any": here["state"] != "failed"})
    failed, passed = ((here["state"] == state).groupby(here["stroke"], sort=False) for state in ("failed", "passed"))
    state = np.where(failed.any(), "failed", np.where(passed.all(), "passed", "waiting"))
    return "stroke", pd.DataFrame({"state": state, "any": ~failed.all()})


def judge_corner(role: object, part: pd.DataFrame, spec: Spec) -> CornerResult:
    """What the coupons of one corner say; column ``state`` as `coupon_states` gives."""
    passed, failed, waiting = _counted(part["state"])
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


def _hand(here: pd.DataFrame, spec: Spec, future: int) -> tuple[HandPrediction | None, HandVerdict, list[Finding]]:
    """Hand-feel to expect, its verdict, and what it lacks."""
    if spec.hand_min is None:
        return None, "", []
    scored = int(here.filter(regex=f"^{HAND_PREFIX}").notna().any(axis=1).sum())
    if scored < 2:
        return None, "not shown", [Finding("hand_unscored", {"coupons": scored})]
    found = predict_hand(here, future=future, assurance=spec.assurance)
    if found.low >= spec.hand_min:
        return found, "good enough", []
    if found.high < spec.hand_min:
        return found, "not good enough", []
    # the limit cannot come nearer to the mean than the scatter of the prints it is about
    floor = (found.mean - found.low) / math.sqrt(1 / found.coupons + 1 / future) / math.sqrt(future)
    code = "hand_open" if found.mean - spec.hand_min > floor else "hand_unsettled"
    values = {"mean": found.mean, "low": found.low, "wanted": spec.hand_min, "future": future}
    return found, "not shown", [Finding(code, values)]
