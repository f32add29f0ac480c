"""A comparison of materials in words: headline and lead of its verdict."""

from __future__ import annotations

from typing import Protocol

from doe.assure import Comparison
from reports.wording import stated

HEADLINES = {
    "same recipe holds": "Same recipe holds",
    "retune": "Retune",
    "not enough coupons yet": "Not enough coupons yet",
}
KINDS = {"same recipe holds": "ready", "retune": "unreachable", "not enough coupons yet": "more"}
"""Verdict to style of its frame."""


class Planned(Protocol):
    """What was decided before the coupons were made."""

    @property
    def recipe(self) -> str: ...
    @property
    def revision(self) -> int: ...
    @property
    def new(self) -> str: ...
    @property
    def in_use(self) -> str: ...
    @property
    def assurance(self) -> float: ...
    @property
    def rate_margin(self) -> float: ...


def lead(plan: Planned, judged: Comparison) -> str:
    """The verdict in two sentences."""
    recipe = f"recipe {plan.recipe}, revision {plan.revision}"
    points = f"{100 * plan.rate_margin:g} points"
    if judged.verdict == "same recipe holds":
        return (
            f"On {plan.new}, {recipe}, passes no more than {points} less often than on {plan.in_use}, with "
            f"{stated(plan.assurance)} assurance, and everything else that was asked is shown too. That is no proof "
            "that both are the same."
        )
    if judged.verdict == "retune":
        return (
            f"{plan.new[:1].upper()}{plan.new[1:]} is not as good as {plan.in_use} at {recipe}: tune its own settings "
            "before it goes into production."
        )
    return (
        f"Whether {recipe}, holds on {plan.new} is not shown yet, nor that it does not. Go on with the material in use "
        "until it is."
    )
