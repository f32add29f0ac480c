"""A comparison of materials in words: headline, lead, steps, and what its numbers cannot know."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from doe.assure.comparison.verdict import Comparison
from doe.words.wording import count, percent, stated

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


@dataclass(frozen=True)
class FirstRound:
    """What may come out of the first round of a comparison.

    Attributes
    ----------
    strokes, least : int
        Planned, and the least from which *same recipe holds* can come out.
    spare : int
        Strokes in which only the new material may fail while that verdict still stands.
    power, edge_power : float
        How often the pass rate is shown, and the edges show no failure, where both materials pass as supposed.
    worse : int or None
        Strokes in which only the new material fails, from which on it is *retune*; None where that cannot come out.
    edges, hand : bool
        Whether edges of the window are tested, and hand-feel is asked for.
    wanted : float
        Pass rate that the study wants.
    further : int
        Rounds that may follow.
    """

    strokes: int
    least: int
    spare: int
    power: float
    edge_power: float
    worse: int | None
    edges: bool
    hand: bool
    wanted: float
    further: int


def may_come_out(plan: Planned, found: FirstRound) -> tuple[str, ...]:
    """What may come out of the first round, a verdict each."""
    return _may_hold(plan, found), _may_retune(found), _may_stay_open(found)


def _may_hold(plan: Planned, found: FirstRound) -> str:
    if found.strokes < found.least:
        return (
            f"same recipe holds: cannot come out of {count(found.strokes, 'stroke')}, even if nothing fails; "
            f"{found.least} are the least for {points(plan)}."
        )
    at_most = f"in at most {count(found.spare, 'stroke')}" if found.spare else "in no stroke"
    asked = (", no edge fails" if found.edges else "") + (" and hand-feel is shown alike" if found.hand else "")
    edges = (
        f", and the edges show no failure in {percent(found.edge_power)} of them where each just holds "
        f"{stated(found.wanted)}"
        if found.edges
        else ""
    )
    return (
        f"same recipe holds: if only the new material fails {at_most} of {found.strokes}{asked}. If both pass "
        f"{percent(plan.supposed_rate)} of the time, the pass rate is shown in {percent(found.power)} of such rounds"
        f"{edges}."
    )


def _may_retune(found: FirstRound) -> str:
    reasons = [f"from {count(found.worse, 'stroke')} in which only the new material fails"] if found.worse else []
    reasons += ["an edge of the window breaks"] if found.edges else []
    reasons += ["hand-feel differs by more than its margin"] if found.hand else []
    return f"retune: {', or '.join(reasons)}." if reasons else "retune: cannot be shown by so few."


def _may_stay_open(found: FirstRound) -> str:
    if found.further:
        rest = f"{count(found.further, 'further round')} may follow, the assurance already allows for it."
    else:
        rest = "no further round is planned, so more coupons would need a new comparison."
    return f"not enough coupons yet: everything between; {rest}"


def offer_notes(*, is_confirmed: bool, has_edges: bool, is_another_material: bool) -> tuple[str, ...]:
    """What is to be known before a comparison is begun."""
    said = []
    if not is_confirmed:
        said.append(
            "The recipe was released without a confirmation: the comparison can only say that the new material is as "
            "good or as bad as the one in use."
        )
    if not has_edges:
        said.append("No edge of the window is tested: the comparison speaks of the setpoint only.")
    if is_another_material:
        said.append(
            "Another material, not only another lot: its own data sheet and safety data sheet come first. A study of "
            "its own may be the shorter way when it is likely to want other settings."
        )
    return tuple(said)


def sheet_notes(plan: Planned, per_stroke: int) -> tuple[str, ...]:
    """What the person at the press must know, printed on the sheet."""
    together = (
        "Press the two coupons of a pair in one stroke, side by side."
        if per_stroke > 1
        else "Press the two coupons of a pair one right after the other, in the order of the sheet."
    )
    return (
        f"NEW is {plan.new}. IN USE is {plan.in_use} (recipe {plan.recipe}, revision {plan.revision}).",
        together,
        "Whoever scores gets the coupons by number only and must not know which material is which.",
    )


def cautions(
    plan: Planned, *, revision_now: int | None, retired_why: str, is_early: bool, per_stroke: int
) -> tuple[str, ...]:
    """What a verdict does not say by itself: the recipe has moved on, checks are open, a pair is two strokes."""
    said = []
    if revision_now is not None and revision_now != plan.revision:
        said.append(
            f"Recipe {plan.recipe} is at revision {revision_now} now; this comparison was made with revision "
            f"{plan.revision} and speaks of that one."
        )
    if retired_why:
        said.append(f"Recipe {plan.recipe} was retired: {retired_why}")
    if is_early:
        said.append("The verdict was given before every check was in.")
    if per_stroke < 2:
        said.append(
            "One coupon fits under the platen, so a pair is two strokes one after the other, not one stroke: what "
            "changes from stroke to stroke stays in the difference."
        )
    return tuple(said)


def story_sentence(plan: Planned, judged: Mapping[str, Any] | None) -> str:
    """A comparison in one sentence; ``judged`` is its verdict as the book keeps it."""
    what = f"{plan.new} against {plan.in_use} (revision {plan.revision})"
    if judged is None or not judged["rates"]["new_units"]:
        return f"{what}: nothing is judged yet."
    rates = judged["rates"]
    return (
        f"{what}: {judged['verdict']}, judged with {stated(plan.assurance)} assurance and a margin of {points(plan)}; "
        f"new {rates['new_passed']} of {rates['new_units']}, in use {rates['old_passed']} of {rates['old_units']} "
        "passed at the setpoint."
    )


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
