"""One confirmation after another: the rule of each, what its coupons say, what is missing, and all of them together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from doe.assure.confirmation.allocation import SETPOINT, Unit
from doe.assure.confirmation.claims import ClaimPlan
from doe.assure.confirmation.verdict import CHECK_PREFIX, Confirmation, coupon_states, judge_confirmation
from doe.domain.finding import Finding
from doe.domain.study import Study

ConfirmationVerdict = Literal["accepted", "not accepted", "open", "given up"]


@dataclass(frozen=True)
class ConfirmationPlan:
    """The rule of one confirmation.

    Attributes
    ----------
    id : int
        Of the analysis that keeps it; 0 before it is kept.
    attempt : int
        From 1, over all confirmations of the study.
    claim : ClaimPlan
    unit : {"coupon", "stroke"}
    per_unit : int
        Coupons that make one unit.
    corner_coupons : int
        At each corner.
    future_prints : int
        Hand-feel is judged for the mean of so many further prints.
    setpoint : mapping
        Factor name to the value that is confirmed.
    window : mapping or None
        Factor name to both ends of the answer's window.
    points : DataFrame
        Role, factors, pass_rate and pass_rate_low expected by the study, side.
    rounds : tuple of int
        Rounds of coupons: the planned one, then those made in place of void ones.
    inputs_hash : str
        Of the results that the answer was given to.
    answer_verdict : str
        What the answer called itself.
    made_at : datetime or None
    made_by : str
    given_up : str
        Why it was given up before its verdict was certain; ``""`` if it was not.
    """

    id: int
    attempt: int
    claim: ClaimPlan
    unit: Unit
    per_unit: int
    corner_coupons: int
    future_prints: int
    setpoint: Mapping[str, float | str]
    window: Mapping[str, tuple[float, float]] | None
    points: pd.DataFrame
    rounds: tuple[int, ...]
    inputs_hash: str
    answer_verdict: str
    made_at: datetime | None = None
    made_by: str = ""
    given_up: str = ""

    @property
    def corners(self) -> tuple[str, ...]:
        """Roles of the corners that are tested."""
        return tuple(str(role) for role in self.points["role"].iloc[1:])

    @property
    def coupons(self) -> int:
        """Coupons of the planned round."""
        return self.claim.units * self.per_unit + len(self.corners) * self.corner_coupons


@dataclass(frozen=True)
class Attempt:
    """One confirmation: its rule, what its coupons say, and how far they are scored.

    Attributes
    ----------
    plan : ConfirmationPlan
    judged : Confirmation or None
        None while no coupon is scored.
    rows : DataFrame
        Its coupons that are not void, as `Book.results` gives them, in the order they are counted.
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
    def verdict(self) -> ConfirmationVerdict:
        """Of everything asked; given up only where no verdict was certain."""
        if self.judged is not None and self.judged.verdict != "open":
            return self.judged.verdict
        return "given up" if self.plan.given_up else "open"


def attempt_of(study: Study, plan: ConfirmationPlan, frame: pd.DataFrame) -> Attempt:
    """What the coupons of one confirmation say; ``frame`` as `Book.results` gives it, void ones included."""
    mine = frame[frame["round"].isin(plan.rounds)].sort_values(
        ["round", "cure_order"], kind="stable", ignore_index=True
    )
    checks = [CHECK_PREFIX + check.name for check in study.spec.checks]
    is_void, failed = mine["void"].ne(""), mine[checks].eq(False).any(axis=1)
    here, lost = mine["role"].eq(SETPOINT), mine["void"].ne("")
    if plan.unit == "stroke":
        # a stroke without one of its coupons cannot pass as a whole; it can still fail
        broken = set(mine["stroke"][is_void & here]) - set(mine["stroke"][failed & ~is_void & here])
        lost |= mine["stroke"].isin(broken) & here
    rows = mine[~lost]
    units = rows.loc[rows["role"].eq(SETPOINT), plan.unit].unique()
    counted = units[: plan.claim.units]
    spare = rows["role"].eq(SETPOINT) & ~rows[plan.unit].isin(counted)
    rows = rows[~spare].reset_index(drop=True)
    at_setpoint, touched = rows["role"].eq(SETPOINT), rows[checks].notna().any(axis=1)
    judged = None
    if touched.any():
        made = rows[~at_setpoint | rows[plan.unit].isin(rows.loc[touched, plan.unit])]
        judged = judge_confirmation(made, plan.claim, study.spec, future_prints=plan.future_prints)
    settled = rows[at_setpoint & (coupon_states(rows, study.spec.checks) != "waiting")]
    void = {str(row["coupon"]): str(row["void"]) for row in mine[is_void].to_dict("records")}
    bad = set(mine.loc[is_void & failed, "coupon"])
    is_certain = judged is not None and judged.setpoint_verdict != "open"
    return Attempt(
        plan=plan,
        judged=judged,
        rows=rows,
        unscored=int((~touched).sum()),
        missing_units=0 if is_certain else plan.claim.units - len(counted),
        missing_corners=_missing_corners(plan, rows, judged),
        set_ups=(int(settled["cure_batch"].nunique()), int(settled["press_batch"].nunique())),
        void=tuple(void.items()),
        voided_failures=tuple(pair for pair in void.items() if pair[0] in bad),
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


def assurance_over(attempts: Sequence[Attempt]) -> float:
    """Assurance of the last claim over all attempts that could have shown it at the same settings."""
    last = attempts[-1].plan
    wrong = 1.0
    for attempt in attempts:
        plan = attempt.plan
        alike = all(same_setting(plan.setpoint.get(name), value) for name, value in last.setpoint.items())
        tried = attempt.judged is not None or attempt is attempts[-1]  # nobody is lucky with coupons never scored
        if alike and tried and plan.claim.pass_rate >= last.claim.pass_rate:
            wrong *= 1 - plan.claim.risk(last.claim.pass_rate)
    return wrong


def same_setting(a: float | str | None, b: float | str | None) -> bool:
    if isinstance(a, float | int) and isinstance(b, float | int):
        return math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-9)
    return a == b


FloatArray = NDArray[np.float64]

FEW_DRAWS = 100.0
"""Below so many effective draws the combined bounds are rough."""

SURPRISE = 0.05


@dataclass(frozen=True)
class Combination:
    """Pass rate at the setpoint from the study alone, and from study and confirmation together.

    Attributes
    ----------
    study_rate, study_low : float
        Expected robust pass rate and its lower bound, from the study's draws as they were.
    rate, low : float
        The same after the draws were reweighted by the confirmation.
    p_target : float
        Probability, after reweighting, that the wanted rate is reached.
    effective_draws : float
        How many equally weighted draws the reweighted ones are worth.
    surprise : float
        Probability, by the study, of a confirmation as bad as this or worse; small: the two disagree.
    coupons : int
        Settled confirmation coupons that moved it.
    counts_hand : bool
        Whether hand-feel is part of these rates.
    warnings : tuple of Finding or str
        ``few_draws`` (effective, of), ``surprising`` (chance), ``strokes_alike``; sentences where an older version
        kept them.
    """

    study_rate: float
    study_low: float
    rate: float
    low: float
    p_target: float
    effective_draws: float
    surprise: float
    coupons: int
    counts_hand: bool
    warnings: tuple[Finding | str, ...]


def combine_with_study(
    rates: ArrayLike,
    check_rates: ArrayLike,
    passed: ArrayLike,
    coupons: ArrayLike,
    *,
    worth: ArrayLike = 1.0,
    target: float = 0.95,
    assurance: float = 0.90,
    counts_hand: bool = False,
) -> Combination:
    """Reweight the study's draws by how well each foretold the confirmation.

    Parameters
    ----------
    rates : array, shape (draws,)
        Robust pass rate at the setpoint under the whole spec, one a draw of the study's posterior. The study's fit must
        not have seen the confirmation coupons.
    check_rates : array, shape (draws, points)
        Robust pass rate of the checks alone at each point confirmed (setpoint, corners).
    passed, coupons : int array, shape (points,)
        Settled confirmation coupons.
    worth : float or array, shape (points,)
        What a coupon counts for: 1 over the mean number of coupons a stroke, since those of one stroke are alike.
    target, assurance : float
    counts_hand : bool
        Whether hand-feel is part of ``rates``.

    Returns
    -------
    Combination
        To be shown beside the exact limits of the confirmation alone, never instead.

    Notes
    -----
    Importance weights: proportional to the binomial probability of the confirmation under each draw. Each source enters
    once: the study through its draws, the confirmation through the weights. With few effective draws the study's cloud
    hardly reaches where the confirmation points; the bounds are then rough and the exact limits are to be trusted.

    References
    ----------
    A. Gelman et al. (2013), *Bayesian Data Analysis*, 3rd ed., sec. 10.4 (from memory).
    """
    drawn = np.asarray(rates, dtype=float)
    points = np.asarray(check_rates, dtype=float).reshape(len(drawn), -1)
    k, n = (np.atleast_1d(np.asarray(v, dtype=float)) for v in (passed, coupons))
    w = np.broadcast_to(np.asarray(worth, dtype=float), k.shape)
    safe = np.clip(points, 1e-9, 1 - 1e-9)
    log_weight = (w * (k * np.log(safe) + (n - k) * np.log1p(-safe))).sum(axis=1)
    weights = np.exp(log_weight - log_weight.max())
    weights /= weights.sum()
    effective = float(1 / (weights**2).sum())
    surprise = _surprise(safe, k, n)
    warnings = []
    if effective < FEW_DRAWS:
        warnings.append(Finding("few_draws", {"effective": effective, "of": len(drawn)}))
    if surprise < SURPRISE:
        warnings.append(Finding("surprising", {"chance": surprise}))
    if (w < 1).any():
        warnings.append(Finding("strokes_alike"))
    return Combination(
        study_rate=float(drawn.mean()),
        study_low=float(np.quantile(drawn, 1 - assurance)),
        rate=float(weights @ drawn),
        low=_weighted_quantile(drawn, weights, 1 - assurance),
        p_target=float(weights @ (drawn >= target)),
        effective_draws=effective,
        surprise=surprise,
        coupons=int(n.sum()),
        counts_hand=counts_hand,
        warnings=tuple(warnings),
    )


def _surprise(rates: FloatArray, passed: FloatArray, coupons: FloatArray) -> float:
    """Chance of as few passes in all, averaged over draws; the failures of a draw are taken as Poisson binomial."""
    total = int(coupons.sum())
    if total == 0:
        return 1.0
    # distribution of the number of failures in all, by adding one coupon after another, all draws at once
    chance = np.zeros((len(rates), total + 1))
    chance[:, 0] = 1.0
    for j, made in enumerate(coupons.astype(int)):
        fail = (1 - rates[:, j])[:, None]
        for _ in range(made):
            moved = chance[:, :-1] * fail
            chance *= 1 - fail
            chance[:, 1:] += moved
    failures = int((coupons - passed).sum())
    return float(chance[:, failures:].sum(axis=1).mean())


def _weighted_quantile(values: FloatArray, weights: FloatArray, share: float) -> float:
    order = np.argsort(values)
    cumulated = np.cumsum(weights[order])
    middle = cumulated - weights[order] / 2  # a draw stands for the middle of its weight
    return float(np.interp(share, middle, values[order]))
