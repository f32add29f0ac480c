"""Why one plan and one setting was taken and not another, in sentences that the numbers bear out."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from doe.domain.finding import Finding
from doe.domain.plan_kinds import COMPARE, CONFIRM
from doe.domain.study import Study
from doe.domain.units import METRIC, Shown, fixed
from doe.plans.judge import PlanJudgement
from doe.setpoint.alternatives import Alternative
from doe.words.study.plans import kind_label, plan_notes, was_automatic
from doe.words.wording import amount_both, at_least_of_hundred, count, listing, percent, sentence, verb

POINT = 0.005
"""Rates closer than this are as good as each other: half a point, as in the search for the setpoint."""

IDEAS = {
    "setpoint": "the setpoint",
    "best coupon": "best coupon: it passed and felt best",
    "middle of the ranges": "middle of the tested ranges",
    "fastest in the window": "shortest times in the window",
    "fastest that passed": "quickest coupon that passed",
}


def round_kind(kind: str) -> str:
    """What a round of coupons was for."""
    judging = {CONFIRM: "confirmation: judges the answer, never enters the fit", COMPARE: "comparison of materials"}
    return judging.get(kind) or kind_label(kind)


def settings_words(study: Study, settings: dict[str, float | str], shown: Shown = METRIC) -> str:
    """Settings on one line, temperatures in both units."""
    return ", ".join(f"{f.label} {amount_both(f, settings[f.name], shown)}" for f in study.factors)


def why_not(study: Study, chosen: Alternative, other: Alternative) -> str:
    """Why another setting was not taken, from the numbers of both."""
    if dict(other.settings) == dict(chosen.settings):
        return "These are the settings of the setpoint."
    refused = not_permitted(study, other)
    said = [] if not refused else [f"Not to be taken: {refused}."]
    expected, low = other.pass_rate - chosen.pass_rate, other.pass_rate_low - chosen.pass_rate_low
    if low < -POINT:
        sides = f"its lower bound is {points(-low)} lower"
        if expected < -POINT:
            said.append(f"Worse: {points(-expected)} fewer pass by expectation, and {sides}.")
        elif expected > POINT:
            said.append(f"{points(expected).capitalize()} more pass by expectation, but that is less sure: {sides}.")
        else:
            said.append(f"As good by expectation, but less sure: {sides}.")
    elif low > POINT:
        said.append(
            f"By these draws its lower bound is {points(low)} higher; the search did not come upon it, or took another "
            "for its margin or its time."
        )
    elif expected < -POINT:
        said.append(f"As sure, but {points(-expected)} fewer pass by expectation.")
    else:
        said.append("As good within half a point.")
    if other.seconds is not None and chosen.seconds is not None and abs(other.seconds - chosen.seconds) >= 0.5:
        much = abs(other.seconds - chosen.seconds)
        said.append(f"It is {fixed(much)} s {'quicker' if other.seconds < chosen.seconds else 'slower'} a print.")
    return " ".join(said)


def points(share: float) -> str:
    """A difference of rates in points of a hundred, never rounded to nothing.

    >>> points(0.118), points(0.01), points(0.006)
    ('12 points', '1 point', '0.6 points')
    """
    number = share * 100
    text = fixed(number) if number >= 0.95 else f"{number:.1g}"
    return f"{text} point{'' if text == '1' else 's'}"


def not_permitted(study: Study, other: Alternative) -> str:
    """Why a setting may not be recommended: outside the tested ranges, or forbidden; empty if it may."""
    outside = [f.label for f in study.numeric if not f.low - 1e-9 <= float(other.settings[f.name]) <= f.high + 1e-9]
    if outside:
        return f"{listing(outside)} outside the tested range"
    for combination in study.forbidden:
        if bool(combination.matches(pd.DataFrame([dict(other.settings)]))[0]):
            return (
                f"a forbidden combination ({combination.reason})" if combination.reason else "a forbidden combination"
            )
    return ""


def other_row(study: Study, chosen: Alternative, other: Alternative, shown: Shown = METRIC) -> tuple[str, ...]:
    """One row of the table of settings that were considered."""
    idea = IDEAS[other.idea] + (f" ({other.coupon})" if other.coupon else "")
    return (
        idea,
        "Taken." if other is chosen else why_not(study, chosen, other),
        percent(other.pass_rate),
        f"{at_least_of_hundred(other.pass_rate_low)} %",
        "not scored" if other.hand is None else fixed(other.hand, 1),
        "" if other.seconds is None else f"{fixed(other.seconds)} s",
        settings_words(study, dict(other.settings), shown),
    )


def plan_row(chosen: PlanJudgement, other: PlanJudgement) -> tuple[str, ...]:
    """One row of the table of plans: its kind, why it was not made, and its price."""
    why_not = "Made." if other is chosen else plan_why_not(chosen, other)
    return kind_label(other.kind), why_not, str(other.coupons), fixed(other.hours, 1)


def plan_proof_row(other: PlanJudgement) -> tuple[str, ...]:
    """What a plan is worth in the measures of textbooks."""
    effect = f"{fixed(other.smallest_effect, 1)} sd" if other.smallest_effect < 99 else "none told"
    return (
        kind_label(other.kind),
        f"{other.quadratic.rank} of {other.quadratic.terms}",
        fixed(other.precision.variance_average, 2),
        effect,
    )


def plan_why_not(chosen: PlanJudgement, other: PlanJudgement) -> str:
    """What another plan does worse and better than the one that was made; by their judgements only."""
    worse: list[str] = []
    better: list[str] = []

    def compare(theirs: float, ours: float, slack: float, more: str, less: str, *, good_is_more: bool) -> None:
        if abs(theirs - ours) <= slack:
            return
        text = more if theirs > ours else less
        (better if (theirs > ours) == good_is_more else worse).append(text)

    terms = (
        f"tells apart {other.quadratic.rank} of {other.quadratic.terms} ways in which settings may matter instead of "
        f"{chosen.quadratic.rank}"
    )
    compare(other.quadratic.rank, chosen.quadratic.rank, 0, terms, terms, good_is_more=True)
    if other.model == chosen.model:
        compare(
            other.precision.variance_average,
            chosen.precision.variance_average,
            0.005,
            "predicts less sharply",
            "predicts more sharply",
            good_is_more=False,
        )
    compare(
        min(other.smallest_effect, 99.0),
        min(chosen.smallest_effect, 99.0),
        0.05,
        "sees only larger effects",
        "sees smaller effects",
        good_is_more=False,
    )
    compare(
        other.hours,
        chosen.hours,
        0.05,
        f"takes {fixed(other.hours - chosen.hours, 1)} hours more",
        f"takes {fixed(chosen.hours - other.hours, 1)} hours less",
        good_is_more=False,
    )
    fewer = chosen.coupons - other.coupons
    compare(
        other.coupons,
        chosen.coupons,
        0,
        f"needs {count(-fewer, 'more coupon')}",
        f"needs {count(fewer, 'coupon')} less",
        good_is_more=False,
    )
    if worse and better:
        return f"It {listing(worse)}, though it {listing(better)}."
    if worse:
        return f"It {listing(worse)}."
    if better:
        return f"It {listing(better)}; the book does not say why it was not made."
    return "As good on paper; the book does not say why it was not made."


def plan_words(
    study: Study,
    chosen: PlanJudgement,
    others: Sequence[PlanJudgement],
    notes: Sequence[Finding | str],
    shown: Shown = METRIC,
) -> tuple[str, ...]:
    """Why that plan: what was said when it was made, and how many others the budget allowed."""
    auto = plan_notes([n for n in notes if isinstance(n, Finding) and was_automatic(n)], study, shown)
    plan = f"{kind_label(chosen.kind)}, {count(chosen.coupons, 'coupon')}."
    # notes that are texts are of an older version, and may say by themselves who chose
    kept = " ".join(note for note in notes if isinstance(note, str))
    first = auto[0] if auto else sentence(f"{plan} {kept}") if kept else f"Chosen by hand: {plan}"
    if not others:
        return (first,)
    were = verb(len(others), "was", "were")
    return (first, f"{count(len(others), 'other plan')} {were} possible with as many coupons; they stand beside it.")
