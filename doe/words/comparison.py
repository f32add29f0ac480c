"""A comparison of materials in words: headline, lead, steps, what was found, and what its numbers cannot know."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any

from doe.domain.finding import Finding
from doe.words.facts import Reader, Text, worded
from doe.words.wording import at_least_of_hundred, at_most_of_hundred, count, percent, sentence, stated

if TYPE_CHECKING:
    from doe.assure.comparison.plan import ComparisonPlan
    from doe.assure.comparison.verdict import Comparison

HEADLINES = {
    "same recipe holds": "Same recipe holds",
    "retune": "Retune",
    "not enough coupons yet": "Not enough coupons yet",
}
KINDS = {"same recipe holds": "ready", "retune": "unreachable", "not enough coupons yet": "more"}
"""Verdict to style of its frame."""

EDGES = {"held": "holds", "not held": "broken", "doubtful": "in doubt", "open": "open"}
"""Verdict on an edge to its words."""

DIFFERS = {
    "lot": "another lot",
    "supplier": "another supplier or make",
    "material": "another material",
    "same": "the same",
}


def lead(plan: ComparisonPlan, judged: Comparison) -> str:
    """The verdict in two sentences."""
    recipe = f"recipe {plan.recipe}, revision {plan.revision},"
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


def points(margin: float) -> str:
    """A margin of the pass rate."""
    return f"{100 * margin:g} points"


def count_rows(judged: Comparison) -> list[tuple[str, str, str, str]]:
    """Passed of those judged at each place: new, in use, and what that says of the new material."""
    rates = judged.rates
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
    "least_drop": lambda share: str(at_least_of_hundred(share)),
    "most_drop": lambda share: str(at_most_of_hundred(share)),
    "new_high": lambda share: f"{at_most_of_hundred(share)} %",
    "hand_least": lambda value: f"{math.floor(10 * value) / 10:.1f}",
    "role": lambda role: sentence(role).rstrip("."),
    "units": lambda number: count(number, "unit waits", "units wait"),
    "chance": lambda share: str(math.ceil(100 * share)),
    "grouping": lambda name: name.replace("_", " "),
    "spare_batches": lambda number: count(number, "spare batch", "spare batches"),
    "spare": lambda number: f"at most {count(number, 'stroke')}" if number else "no stroke",
    "power": percent,
    "supposed": percent,
    "edge_power": percent,
    "rounds": lambda number: count(number, "further round"),
}
"""Name of a value to how it is said."""

_COUNTS = "new {new_passed} of {new_units}, in use {old_passed} of {old_units}"

ON_THE_SHEET: Mapping[str, Text] = {
    "new_and_in_use": "NEW is {new}. IN USE is {in_use} (recipe {recipe}, revision {revision}).",
    "pair_together": "Press the two coupons of a pair in one stroke, side by side.",
    "pair_in_turn": "Press the two coupons of a pair one right after the other, in the order of the sheet.",
    "score_blind": "Whoever scores gets the coupons by number only and must not know which material is which.",
    "brought": "Made for the comparison {comparison} at the recipe's setpoint and at the edges of its window.",
}
"""What the person at the press must know of a round."""

FOUND: Mapping[str, Text] = {
    # why the verdict is what it is
    "worse": (
        f"The new material passes less often: {_COUNTS}; {{assurance}}, it is at least {{least_drop}} points worse."
    ),
    "slightly_worse": f"The new material passes less often: {_COUNTS}.",
    "misses_rate": (
        f"The new material misses the wanted {{wanted}}: {_COUNTS}; {{assurance}}, its pass rate is at most "
        "{new_high}."
    ),
    "softer": (
        "The new material is softer by {hand_apart:.1f} points; {assurance}, by at least {hand_least}, more than the "
        "{hand_margin:g} that do not matter."
    ),
    "stiffer": (
        "The new material is stiffer by {hand_apart:.1f} points; {assurance}, by at least {hand_least}, more than the "
        "{hand_margin:g} that do not matter."
    ),
    "edge_broken": "{role}: {failed} of {made} failed with the new material.",
    "rate_shown": (
        f"Pass rate: {{assurance}}, no more than {{rate_margin}} below the material in use ({_COUNTS}; exact p "
        "{p_exact:.3f})."
    ),
    "hand_alike": "Hand-feel: alike; {assurance} each way, the difference is {hand_limits} points.",
    "edge_held": "{role}: held with the new material, {passed} of {made} passed.",
    "edge_forgiven": ("{role}: held with the new material, {passed} of {made} passed, which is no more than chance."),
    # what keeps it open
    "in_use_misses_rate": (
        f"The material in use itself misses the wanted {{wanted}} ({_COUNTS}): check line and gauges, then make the "
        "strokes again."
    ),
    "checks_waiting": "{units} for a check.",
    "rate_doubtful": (
        f"Pass rate: as things stand ({_COUNTS}) the new material looks worse than the one in use; more coupons would "
        "more likely show a difference than remove the doubt."
    ),
    "rate_open": (
        f"Pass rate: not shown yet ({_COUNTS}; {{assurance}}, it may be up to {{most_drop}} points worse); if both are "
        "alike, about {further} show it 4 times in 5."
    ),
    "rate_waiting": (
        f"Pass rate: not shown yet ({_COUNTS}; {{assurance}}, it may be up to {{most_drop}} points worse)."
    ),
    "hand_too_near": (
        "Hand-feel: the difference of {difference:+.1f} points lies too near the margin of {hand_margin:g} to be "
        "settled by more coupons."
    ),
    "hand_open": ("Hand-feel: not shown yet ({assurance} each way, {hand_limits} points); about {further} would."),
    "hand_unscored": "Hand-feel is in the spec: score at least some coupons of each material for it.",
    "window_in_doubt": (
        "{role}: {old_failed} of {old_made} failed with the material in use too, and {failed} of {made} with the new "
        "one: the recipe's own window is in doubt there. Check line and gauges, and confirm the window again before "
        "the new material is judged at it."
    ),
    "edge_doubtful": "{role}: {failed} of {made} failed, which chance alone allows; make as many again there.",
    "edge_still_doubtful": (
        "{role}: {failed} of {made} failed, which chance alone allows; draw the window in on that side, or retune."
    ),
    # what makes it doubtful
    "in_use_fails": (
        "The material in use failed in {failed} of {made} units. A line that holds the wanted {wanted} shows so many "
        "failures less than {chance} times in 100: look at line and gauges before the new material is blamed or "
        "cleared."
    ),
    "made_apart": (
        "The materials were not made side by side in the same strokes: a drift of the press between them would look "
        "like a difference of the materials."
    ),
    "edges_untested": (
        "No edge of the window was tested with the new material: the recipe is shown at its setpoint only."
    ),
    "batches_of_its_own": (
        "Every {grouping} had settings of its own, so batch error cannot be told from the factors; intervals of "
        "factors set once a batch are too narrow."
    ),
    "batches_inseparable": (
        "Error of {grouping} cannot be told from other errors with these coupons; it is not separate."
    ),
    "batches_alike": "No error of {grouping} was visible; its estimate is zero, not its true size.",
    "few_batches": "The variance of {grouping} rests on {spare_batches} only: a rough figure.",
    "recipe_moved_on": (
        "Recipe {recipe} is at revision {now} now; this comparison was made with revision {revision} and speaks of "
        "that one."
    ),
    "recipe_retired": "Recipe {recipe} was retired: {why}",
    "judged_early": "The verdict was given before every check was in.",
    "one_a_stroke": (
        "One coupon fits under the platen, so a pair is two strokes one after the other, not one stroke: what changes "
        "from stroke to stroke stays in the difference."
    ),
    # what it came to, in the story of a recipe
    "not_judged": "{new} against {in_use} (revision {revision}): nothing is judged yet.",
    "compared": (
        "{new} against {in_use} (revision {revision}): {verdict}, judged {assurance} and a margin of {rate_margin}; "
        f"{_COUNTS} passed at the setpoint."
    ),
    # what may come of the first round, and what is to be known before it is begun
    "may_hold": _may_hold,
    "cannot_hold": (
        "same recipe holds: cannot come out of {strokes} strokes, even if nothing fails; {least} are the least for "
        "{rate_margin}."
    ),
    "may_retune": _may_retune,
    "may_go_on": (
        "not enough coupons yet: everything between; {rounds} may follow, the assurance already allows for it."
    ),
    "may_end_open": (
        "not enough coupons yet: everything between; no further round is planned, so more coupons would need a new "
        "comparison."
    ),
    "unconfirmed": (
        "The recipe was released without a confirmation: the comparison can only say that the new material is as good "
        "or as bad as the one in use."
    ),
    "no_edges": "No edge of the window is tested: the comparison speaks of the setpoint only.",
    "another_material": (
        "Another material, not only another lot: its own data sheet and safety data sheet come first. A study of its "
        "own may be the shorter way when it is likely to want other settings."
    ),
}
"""Code of a finding to its words."""


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


def method_lines(plan: ComparisonPlan, judged: Comparison) -> tuple[str, ...]:
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
    )
