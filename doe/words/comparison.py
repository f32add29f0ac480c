"""A comparison of materials in words: headline, lead, steps, what was found, and what its numbers cannot know."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from doe.assure.comparison.plan import ComparisonPlan
from doe.assure.comparison.staged import Stage, StagedChances, hidden_loss, worst_false_alarm
from doe.assure.comparison.verdict import Comparison
from doe.domain.finding import Finding
from doe.domain.units import fixed
from doe.words.facts import Reader, Text, filled, texts_of, worded
from doe.words.wording import (
    HUNDRED,
    at_least_of_hundred,
    at_most_of_hundred,
    count,
    out_of_hundred,
    percent,
    sentence,
    stated,
)

KINDS = texts_of("catalogues", "comparison_frames")
"""Verdict to style of its frame."""

EDGES = texts_of("catalogues", "edges")
"""Verdict on an edge to its words."""

STAGED_LEADS, STAGED_STEPS = texts_of("staged", "leads"), texts_of("staged", "steps")
"""Verdict of a staged comparison to what it means, and to what to do now, a line each."""

RULE_LINES, STAGED_METHOD = texts_of("staged", "rule"), texts_of("staged", "method")
SIZES_SAID = texts_of("staged", "size")
"""How the tables of a staged comparison are read, and how it was judged."""


def lead(plan: ComparisonPlan, judged: Comparison) -> str:
    """The verdict in two sentences."""
    recipe = f"recipe {plan.recipe}, revision {plan.revision},"
    if judged.staged is not None:
        return filled(STAGED_LEADS[judged.verdict], recipe=recipe, new=plan.new, in_use=plan.in_use)
    if judged.verdict == "same recipe holds":
        return (
            f"At {recipe} {plan.new} passes no more than {points(plan.rate_margin)} less often than {plan.in_use}, "
            f"with {stated(plan.assurance)} assurance, and everything else that was asked is shown too. That is no "
            "proof that both are the same."
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


CHANCE_HEADS = ("new fails more often", "clearly worse", "go on carefully", "neither", "more pairs")
CHANCE_CAPTION, RULE_CAPTION = "Of 100 such comparisons", "The rule"
RULE_HEADS = ("after", "go on carefully", "clearly worse", "line first", "can still hide")


def chance_rows(chances: Iterable[StagedChances]) -> list[tuple[str, ...]]:
    """Of 100 staged comparisons, how many come to what, a row a loss; the last is that of more than the first pairs."""
    rows: list[tuple[str, ...]] = []
    for chance in chances:
        worse, on = out_of_hundred(chance.worse), out_of_hundred(chance.go_on)
        loss = points(round(chance.loss, 4)) if chance.loss > 0 else "alike"
        rows.append((loss, str(worse), str(on), str(HUNDRED - worse - on), str(out_of_hundred(chance.more))))
    return rows


def rule_rows(stages: Sequence[Stage], assurance: float) -> list[tuple[str, ...]]:
    """The rule, a row a stage: what it takes for each end, and what *go on carefully* can still hide."""
    return [
        (
            count(stage.pairs, "pair"),
            f"{stage.go_on} or fewer" if stage.go_on else "none",
            f"{stage.worse} or more" if stage.worse <= stage.pairs else "not yet",
            f"over {stage.in_use}",
            f"{at_most_of_hundred(hidden_loss(stages, number, assurance))} of 100",
        )
        for number, stage in enumerate(stages, 1)
    ]


SIZE_CAPTION, SIZE_HEADS = SIZES_SAID["caption"], tuple(SIZES_SAID["heads"].split(" | "))


def stage_taken(pairs: int, hours: float) -> str:
    """What the first stage takes, and when it can speak."""
    return filled(SIZES_SAID["taken"], pairs=pairs, coupons=2 * pairs, minutes=math.ceil(60 * hours))


def size_rows(sizes: Iterable[tuple[int, float, float, float]]) -> list[tuple[str, ...]]:
    """Other sizes of a stage, a row each, of (pairs, hours, chance to find a worse material, what may hide)."""
    return [
        (str(pairs), str(math.ceil(60 * hours)), str(out_of_hundred(found)), f"{at_most_of_hundred(hides)} of 100")
        for pairs, hours, found, hides in sizes
    ]


def size_read(loss: float) -> str:
    """How the table of sizes is read."""
    return filled(SIZES_SAID["read"], loss=points(loss))


def rule_lines(plan: ComparisonPlan) -> tuple[str, ...]:
    """How both tables of a staged comparison are read."""
    stages = plan.stages or ()
    values = {
        "alarm": at_most_of_hundred(worst_false_alarm(stages)),
        "pairs": stages[0].pairs,
        "rate": percent(plan.supposed_rate),
        "assurance": stated(plan.assurance),
    }
    return tuple(filled(text, **values) for text in RULE_LINES.values())


def points(margin: float) -> str:
    """A margin of the pass rate."""
    return f"{100 * margin:g} points"


def count_rows(judged: Comparison) -> list[tuple[str, str, str, str]]:
    """Passed of those judged at each place: new, in use, and what that says of the new material."""
    rates = judged.rates
    if judged.staged is not None:
        passed = (f"{rates.new_passed} of {rates.new_units}", f"{rates.old_passed} of {rates.old_units}")
        return [("setpoint", *passed, judged.verdict)]
    state = "shown to be no worse" if rates.is_non_inferior else "worse" if rates.is_worse else "open"
    rows = [
        (
            "setpoint",
            f"{rates.new_passed} of {rates.new_units}",
            f"{rates.old_passed} of {rates.old_units}",
            state,
        )
    ]
    for edge in judged.edges:
        new, old = ("" if e is None else f"{e.passed} of {e.passed + e.failed}" for e in (edge.new, edge.old))
        rows.append((edge.new.role, new, old, EDGES[edge.new.verdict]))
    return rows


def said(findings: Iterable[Finding]) -> tuple[str, ...]:
    """Findings of a comparison, of what may come of it, or of what is to be known about it, as sentences."""
    return tuple(worded(found.also(**_spelled(found.values)), FOUND, Reader()) for found in findings)


def facts_said(**findings: tuple[Finding, ...]) -> dict[str, object]:
    """Findings by name for JSON: sentences where a person looks for them, the facts beside them."""
    return {**{name: said(found) for name, found in findings.items()}, "facts": findings}


def _spelled(values: Mapping[str, Any]) -> dict[str, str]:
    """Values that are not said as they are; a limit is rounded outward, and never told better than it is."""
    words = {name: SPELLING[name](value) for name, value in values.items() if name in SPELLING and value is not None}
    if "further" in values:
        of_each = "" if values["paired"] else " of each"
        words["further"] = count(values["further"], "more coupon" if of_each else "more stroke") + of_each
    if "hand_low" in values:
        words["hand_limits"] = hand_limits(values["hand_low"], values["hand_high"])
    return words


def hand_limits(low: float, high: float) -> str:
    """Limits of a difference of hand-feel."""
    ends = math.floor(round(10 * low, 6)) / 10, math.ceil(round(10 * high, 6)) / 10
    return "{:+.1f} to {:+.1f}".format(*(end + 0.0 for end in ends))  # no -0.0


def _may_hold(
    _: Reader, *, strokes: int, spare: str, power: str, supposed: str, edge_power: str | None, wanted: str, hand: bool
) -> str:
    asked = ("" if edge_power is None else ", no edge fails") + (" and hand-feel is shown alike" if hand else "")
    edges = f", and the edges show no failure in {edge_power} of them where each just holds {wanted}"
    return (
        f"same recipe holds: if only the new material fails in {spare} of {strokes}{asked}. If both pass {supposed} "
        f"of the time, the pass rate is shown in {power} of such rounds{'' if edge_power is None else edges}."
    )


def _may_retune(_: Reader, *, worse: int | None, edges: bool, hand: bool) -> str:
    reasons = [f"from {count(worse, 'stroke')} in which only the new material fails"] if worse else []
    reasons += ["an edge of the window breaks"] if edges else []
    reasons += ["hand-feel differs by more than its margin"] if hand else []
    return f"retune: {', or '.join(reasons)}." if reasons else "retune: cannot be shown by so few."


SPELLING: Mapping[str, Callable[[Any], str]] = {
    "assurance": lambda share: f"with {100 * share:.3g} % assurance",
    "wanted": stated,
    "rate_margin": points,
    "least_drop": lambda share: count(at_least_of_hundred(share), "point"),
    "most_drop": lambda share: count(at_most_of_hundred(share), "point"),
    "new_high": lambda share: f"{at_most_of_hundred(share)} %",
    "hand_least": lambda value: fixed(math.floor(10 * value) / 10, 1),
    "role": lambda role: sentence(role).rstrip("."),
    "units": lambda number: count(number, "unit waits", "units wait"),
    "chance": lambda share: str(math.ceil(100 * share)),
    "grouping": lambda name: name.replace("_", " "),
    "spare_batches": lambda number: count(number, "spare batch", "spare batches"),
    "spare": lambda number: f"at most {count(number, 'stroke')}" if number else "no stroke",
    "power": percent,
    "supposed": percent,
    "edge_power": percent,
    "hides": lambda share: str(at_most_of_hundred(share)),
    "alike": lambda share: str(at_most_of_hundred(share)),
    "alarm": lambda share: str(at_most_of_hundred(share)),
    "rounds": lambda number: count(number, "further round"),
}
"""Name of a value to how it is said."""

FOUND: Mapping[str, Text] = {
    **texts_of("comparison"),
    **texts_of("standing", "verdicts"),
    "may_hold": _may_hold,
    "may_retune": _may_retune,
}
"""Code of a finding to its words."""


def steps(judged: Comparison, *, looks_left: int) -> tuple[str, ...]:
    """What to do now."""
    if judged.staged is not None:
        return tuple(STAGED_STEPS[judged.verdict].splitlines())
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


def method_lines(plan: ComparisonPlan, judged: Comparison) -> tuple[str, ...]:
    """How it was judged."""
    codes = STAGED_METHOD["codes"] if plan.blind else STAGED_METHOD["seen"]
    if plan.stages is not None:
        return (*rule_lines(plan), *(STAGED_METHOD[name] for name in ("fixed", "setting", "order", "hand")), codes)
    paired = (
        "Pairs: the exact test of non-inferiority on pairs that differ (largest probability over the unknown common "
        "rate) decides; the limits drawn are Newcombe's for paired proportions, method 10, and are approximate."
        if judged.rates.pairs is not None
        else "Made apart: the exact test of non-inferiority of two separate pass rates decides; the limits drawn are "
        "Newcombe's, method 10, and are approximate."
    )
    looks = (
        f"It may be judged {count(plan.looks, 'time')} in all, once a round. The risk of {stated(1 - plan.assurance)} "
        f"is shared evenly between them, so every statement above is made with {percent(1 - judged.risk, 1)} assurance."
        if plan.looks > 1
        else f"It is judged once, with {stated(plan.assurance)} assurance."
    )
    return (
        f"Fixed before the first coupon: margin {points(plan.rate_margin)} of pass rate and {plan.hand_margin:g} of "
        f"hand-feel, power {stated(plan.power)} if both pass {stated(round(plan.supposed_rate, 4))} of the time.",
        looks,
        paired,
        "Hand-feel: two one-sided tests of the difference from a mixed model (REML) with people as fixed, pairs and "
        "cure batches as random effects."
        + ("" if judged.hand is None else "".join(f" {note}" for note in said(judged.hand.notes))),
        "An edge holds when none of its coupons failed, or one failed and as many again did not; it is broken when so "
        "many failures would come in fewer than 1 of 20 cases where the wanted pass rate holds.",
        "The power is that of the pass rate alone: edges and hand-feel are asked for as well, so the whole verdict "
        "comes out less often.",
        codes,
    )
