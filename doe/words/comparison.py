"""A comparison of materials in words: headline, lead, steps, and what its numbers cannot know."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from doe.assure.comparison.verdict import Comparison
from doe.words.wording import count, stated

HEADLINES = {
    "same recipe holds": "Same recipe holds",
    "retune": "Retune",
    "not enough coupons yet": "Not enough coupons yet",
}
KINDS = {"same recipe holds": "ready", "retune": "unreachable", "not enough coupons yet": "more"}
"""Verdict to style of its frame."""

DIFFERS = {
    "lot": "another lot",
    "supplier": "another supplier or make",
    "material": "another material",
    "same": "the same",
}


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
    def differs(self) -> Mapping[str, str]: ...
    @property
    def assurance(self) -> float: ...
    @property
    def power(self) -> float: ...
    @property
    def looks(self) -> int: ...
    @property
    def supposed_rate(self) -> float: ...
    @property
    def rate_margin(self) -> float: ...
    @property
    def hand_margin(self) -> float: ...


def lead(plan: Planned, judged: Comparison) -> str:
    """The verdict in two sentences."""
    recipe = f"recipe {plan.recipe}, revision {plan.revision},"
    if judged.verdict == "same recipe holds":
        return (
            f"At {recipe} {plan.new} passes no more than {points(plan)} less often than {plan.in_use}, with "
            f"{stated(plan.assurance)} assurance, and everything else that was asked is shown too. That is no proof "
            "that both are the same."
        )
    if judged.verdict == "retune":
        return (
            f"At {recipe} {plan.new} is not as good as {plan.in_use}: find its own settings before it goes into "
            "production."
        )
    return (
        f"Whether {recipe} holds on {plan.new} is not shown yet, nor that it does not. Go on with the material in use "
        "until it is."
    )


def points(plan: Planned) -> str:
    """The margin of the pass rate."""
    return f"{100 * plan.rate_margin:g} points"


def steps(judged: Comparison, *, looks_left: int) -> tuple[str, ...]:
    """What to do now."""
    if judged.verdict == "same recipe holds":
        return (
            "Use the recipe on the new material as it is; name the material in a new revision of the recipe.",
            "Look at the first production prints closely: a drop smaller than the margin would not have been seen.",
            "Keep one coupon of each material from the setpoint and from each edge beside the recipe.",
        )
    if judged.verdict == "retune":
        return (
            "Do not use the recipe on the new material.",
            "Start a retune: its ranges lie around the recipe's setpoint, and the coupons made here come along.",
        )
    if judged.waiting:
        return ("Finish the checks that are open (washes too), then judge again.",)
    if judged.more_units and looks_left:
        return (f"Make the next round, about {count(judged.more_units, 'more stroke')}, then judge again.",)
    if looks_left:
        return ("Settle what is missing above, then judge again.",)
    return ("No further round was planned: start a new comparison, or a retune where the new material looks worse.",)


def method_lines(plan: Planned, judged: Comparison) -> tuple[str, ...]:
    """How it was judged."""
    paired = (
        "Pairs: the exact test of non-inferiority on pairs that differ (largest probability over the unknown common "
        "rate) decides; the limits drawn are Newcombe's for paired proportions, method 10, and are approximate."
        if judged.rates.pairs is not None
        else "Made apart: the exact test of non-inferiority of two separate pass rates decides; the limits drawn are "
        "Newcombe's, method 10, and are approximate."
    )
    looks = (
        f"It may be judged {count(plan.looks, 'time')} in all, once a round. The risk of {stated(1 - plan.assurance)} "
        f"is shared evenly between them, so every statement above is made with {stated(1 - judged.risk)} assurance."
        if plan.looks > 1
        else f"It is judged once, with {stated(plan.assurance)} assurance."
    )
    return (
        f"Fixed before the first coupon: margin {points(plan)} of pass rate and {plan.hand_margin:g} of hand-feel, "
        f"power {stated(plan.power)} if both pass {stated(round(plan.supposed_rate, 4))} of the time.",
        looks,
        paired,
        "Hand-feel: two one-sided tests of the difference from a mixed model (REML) with people as fixed, pairs and "
        "cure batches as random effects."
        + ("" if judged.hand is None else "".join(f" {note}" for note in judged.hand.notes)),
        "An edge holds when none of its coupons failed, or one failed and as many again did not; it is broken when so "
        "many failures would come in fewer than 1 of 20 cases where the wanted pass rate holds.",
        "The power is that of the pass rate alone: edges and hand-feel are asked for as well, so the whole verdict "
        "comes out less often.",
    )
