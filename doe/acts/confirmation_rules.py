"""Rules of confirmations as they are kept in the book: fixed before the coupons are made, never changed after."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal

from doe.acts.base import Key
from doe.domain.plan_kinds import CONFIRMATION_PLAN
from doe.domain.serial import jsonable

if TYPE_CHECKING:
    import pandas as pd

    from doe.assure import ClaimPlan
    from doe.book import AnalysisRecord, Book

REPLACEMENT = "confirmation replacement"
"""Kind of the analysis that says which coupons a further round of the same confirmation stands in for."""

Unit = Literal["coupon", "stroke"]


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


def plan_data(plan: ConfirmationPlan, *, gives_up: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """A rule as what JSON takes; ``gives_up`` names the attempt that it puts an end to, and why."""
    data: dict[str, Any] = jsonable(plan)
    for name in ("id", "made_at", "made_by", "given_up", "inputs_hash"):  # the book keeps these beside it
        del data[name]
    return data | {"gives_up": dict(gives_up) if gives_up else None}


def plans_of(book: Book, key: Key) -> tuple[ConfirmationPlan, ...]:
    """Every confirmation ever planned for a study, oldest first."""
    kept = book.analyses(key)
    plans = [a for a in kept if a.kind == CONFIRMATION_PLAN]
    ends = {a.payload["gives_up"]["attempt"]: str(a.payload["gives_up"]["why"]) for a in plans if a.payload["gives_up"]}
    further: dict[int, list[int]] = {}
    for a in kept:
        if a.kind == REPLACEMENT:
            further.setdefault(int(a.payload["attempt"]), []).append(int(a.payload["round"]))
    return tuple(
        _plan_from(a, further.get(int(a.payload["attempt"]), ()), ends.get(a.payload["attempt"], "")) for a in plans
    )


def _plan_from(kept: AnalysisRecord, further: Sequence[int], given_up: str) -> ConfirmationPlan:
    import pandas as pd

    from doe.assure import ClaimPlan

    data = {name: value for name, value in kept.payload.items() if name != "gives_up"}
    window = data.pop("window")
    return ConfirmationPlan(
        **{
            **data,
            "claim": ClaimPlan(**data["claim"]),
            "points": pd.DataFrame(data["points"]),
            "rounds": (*data["rounds"], *further),
            "window": None if window is None else {name: (ends[0], ends[1]) for name, ends in window.items()},
        },
        id=kept.id, inputs_hash=kept.inputs_hash, made_at=kept.made_at, made_by=kept.made_by, given_up=given_up,
    )  # fmt: skip
