"""Confirmation: accepted, not accepted, or open, and what is missing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import binom, t

from doe.assure.binomial import pass_rate_low
from doe.assure.confirmation.allocation import CORNER_COUPONS, SETPOINT
from doe.assure.confirmation.claims import ClaimLimits, ClaimPlan, ClaimState, claim_limits
from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.domain.outcome import HAND_PREFIX, hand_columns
from doe.domain.spec import HAND_STEP, Check, Spec
from doe.surfaces.classical.mixed import MixedFit, fit_mixed

_ROUNDING_VARIANCE = HAND_STEP**2 / 12
"""Scores come in half steps: what they cannot show is not absent."""


@dataclass(frozen=True)
class HandPrediction:
    """Mean hand-feel of ``future`` further prints.

    Attributes
    ----------
    mean : float
    low, high : float
        Prediction limits, each alone at the assurance asked for (together they hold less).
    low_mean : float
        Lower limit of the long-run mean itself.
    sd : float
        Scatter of a single print scored by the same people, batches included.
    df : float
    coupons, people, strokes : int
    future : int
    notes : tuple of Finding or str
        ``one_stroke``, ``hardly_differ``; what the mixed model says of strokes, in its words.
    """

    mean: float
    low: float
    high: float
    low_mean: float
    sd: float
    df: float
    coupons: int
    people: int
    strokes: int
    future: int
    notes: tuple[Finding | str, ...]


def predict_hand(scored: pd.DataFrame, *, future: int = 1, assurance: float = 0.90) -> HandPrediction:
    """Prediction limits for the mean hand-feel of further prints made the same way.

    Parameters
    ----------
    scored : DataFrame
        One row a coupon: ``hand_<person>`` columns (missing where not scored), optional ``stroke``. Coupons that did
        not transfer have no score and are left out; two others are needed.
    future : int
        How many further prints the mean is taken over, each in a stroke of its own; 1 for a single print.
    assurance : float
        Of each limit alone.

    Returns
    -------
    HandPrediction

    Notes
    -----
    Coupons of one stroke are alike; a mixed model keeps them from counting as independent. With one coupon a stroke and
    one person this is the textbook interval mean +- t s sqrt(1/n + 1/future).

    References
    ----------
    W. Q. Meeker, G. J. Hahn and L. A. Escobar (2017), *Statistical Intervals*, 2nd ed., ch. 4 (from memory);
    Satterthwaite's degrees of freedom for the sum of variances.
    """
    long = _long(scored)
    coupons, people, strokes = (int(long[c].nunique()) for c in ("coupon", "person", "stroke"))
    names = sorted(long["person"].unique())
    X = np.ones((len(long), 1))
    for name in names[:-1]:  # people as deviations from their mean, so that the constant is the panel's mean
        X = np.column_stack([X, (long["person"] == name).astype(float) - (long["person"] == names[-1]).astype(float)])
    groups = {}
    if 1 < strokes < coupons:
        groups["stroke"] = long["stroke"].to_numpy()
    if people > 1:
        groups["print"] = long["coupon"].to_numpy()  # `coupon` is the mixed model's word for the rest
    fit = fit_mixed(X, long["score"], groups, ["constant", *names[:-1]])
    notes: list[Finding | str] = [n for n in fit.notes if "stroke" in n]
    if strokes == 1:
        notes.append(Finding("one_stroke"))
    batches = int(fit.components["used"].sum()) - 1
    parts = np.array([*[1 / future] * batches, 1 / (future * people)])
    mean = float(fit.estimates[0])
    se2, df_mean = _variance(fit, np.zeros(len(parts)))
    total, df = _variance(fit, parts)
    single, _ = _variance(fit, parts * future)
    floor = _ROUNDING_VARIANCE / people
    if single - se2 < floor:
        notes.append(Finding("hardly_differ"))
        se2, total, single = floor / coupons, floor / coupons + floor / future, floor / coupons + floor
        df = float(coupons - 1)
    q = t.ppf(assurance, df)
    q_mean = t.ppf(assurance, df_mean if single - se2 > floor else df)
    return HandPrediction(
        mean=mean,
        low=mean - q * math.sqrt(total),
        high=mean + q * math.sqrt(total),
        low_mean=mean - q_mean * math.sqrt(se2),
        sd=math.sqrt(single - se2),
        df=df,
        coupons=coupons,
        people=people,
        strokes=strokes,
        future=future,
        notes=tuple(notes),
    )


def _long(scored: pd.DataFrame) -> pd.DataFrame:
    """One row a score: coupon, stroke, person, score."""
    columns = hand_columns(scored)
    rows = scored.reset_index(drop=True)
    stroke = rows["stroke"] if "stroke" in rows.columns else pd.Series(rows.index)
    wide = rows[columns].apply(pd.to_numeric, errors="coerce").assign(coupon=rows.index, stroke=stroke)
    long: pd.DataFrame = wide.melt(id_vars=["coupon", "stroke"], var_name="person", value_name="score").dropna(
        subset=["score"]
    )
    long["person"] = [str(name).removeprefix(HAND_PREFIX) for name in long["person"]]
    return pd.DataFrame(long.reset_index(drop=True))


def _variance(fit: MixedFit, parts: np.ndarray[tuple[int], np.dtype[np.float64]]) -> tuple[float, float]:
    """Variance of the constant plus shares of the variance components, and its degrees of freedom."""
    s = fit.spread
    contrast = np.zeros(len(fit.estimates))
    contrast[0] = 1.0
    scaled = contrast @ s.phi
    value = float(contrast @ fit.covariance @ contrast) + float(parts @ s.variances)
    plain = float(scaled @ contrast) + float(parts @ s.variances)
    slope = parts - np.array([scaled @ bend @ scaled for bend in s.bends])
    spread = float(slope @ s.weights @ slope)
    df = 2 * plain**2 / spread if spread > 0 else float(s.rows_df)
    return value, float(np.clip(df, 1.0, s.rows_df))


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
    missed = binom.cdf(failed, made, 0.5)
    verdict: CornerVerdict
    if failed and binom.sf(failed - 1, made, 1 - spec.pass_rate) < CORNER_RISK:
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
