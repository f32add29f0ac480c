"""One confirmation after another: the rule of each, what its coupons say, what is missing, and all of them together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import pandas as pd

from doe.assure.confirmation.allocation import SETPOINT, Unit
from doe.assure.confirmation.claims import ClaimPlan
from doe.assure.confirmation.verdict import CHECK_PREFIX, Confirmation, coupon_states, judge_confirmation
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
            wrong *= 1 - plan.claim.chance(last.claim.pass_rate)
    return wrong


def same_setting(a: float | str | None, b: float | str | None) -> bool:
    if isinstance(a, float | int) and isinstance(b, float | int):
        return math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-9)
    return a == b
