"""Words about recipes say no more than their numbers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from doe.domain.recipe import RecipeSetting, stack_differences
from doe.domain.stack import Material
from doe.plans.compare import compare_plans
from doe.setpoint.alternatives import Alternative
from doe.words.recipe.card import (
    both,
    caution_sentences,
    changes_between,
    confirmation_sentence,
    difference_words,
    handling_gaps,
    handling_sentences,
    void_sentences,
)
from doe.words.recipe.story import not_permitted, plan_why_not, points, why_not
from tests.reports.recipe.samples import PROOF, recipe
from tests.reports.study.samples import make_study, samples

STUDY = make_study()
SETPOINT = {"cure_temp": 125.0, "cure_time": 150.0, "press_temp": 155.0, "dwell": 13.0}
CHOSEN = Alternative("setpoint", "", SETPOINT, 0.96, 0.92, 4.4, 163.0)


def other(rate: float, low: float, seconds: float = 163.0, **settings: float) -> Alternative:
    return Alternative("best coupon", "R1-01", {**SETPOINT, "dwell": 14.0, **settings}, rate, low, 4.0, seconds)


@pytest.mark.parametrize(
    ("rate", "low", "said"),
    [
        (0.80, 0.70, "Worse: 16 points fewer pass by expectation, and its lower bound is 22 points lower."),
        (0.97, 0.85, "1 point more pass by expectation, but that is less sure: its lower bound is 7 points lower."),
        (0.96, 0.90, "As good by expectation, but less sure: its lower bound is 2 points lower."),
        (0.94, 0.92, "As sure, but 2 points fewer pass by expectation."),
        (0.96, 0.92, "As good within half a point."),
    ],
)
def test_why_a_setting_was_not_taken(rate, low, said):
    assert why_not(STUDY, CHOSEN, other(rate, low)) == said


def test_a_better_bound_is_admitted():
    assert why_not(STUDY, CHOSEN, other(0.97, 0.94)).startswith("By these draws its lower bound is 2 points higher")


def test_time_is_told_both_ways_and_the_same_settings_are_named():
    assert why_not(STUDY, CHOSEN, other(0.96, 0.92, 140.0)).endswith("It is 23 s quicker a print.")
    assert why_not(STUDY, CHOSEN, other(0.96, 0.92, 170.0)).endswith("It is 7 s slower a print.")
    same = Alternative("middle of the ranges", "", SETPOINT, 0.96, 0.92, 4.4, 163.0)
    assert why_not(STUDY, CHOSEN, same) == "These are the settings of the setpoint."


def test_settings_that_may_not_be_taken_say_why():
    assert not_permitted(STUDY, other(0.99, 0.98)) == ""
    assert not_permitted(STUDY, other(0.99, 0.98, press_temp=180.0)) == "press temperature outside the tested range"
    forbidding = make_study(forbidden="press_temp >= 150 and dwell >= 12")
    assert not_permitted(forbidding, other(0.99, 0.98)) == "a forbidden combination (scorch)"
    said = why_not(forbidding, CHOSEN, other(0.99, 0.98))
    assert said.startswith("Not to be taken: a forbidden combination (scorch).")


@pytest.mark.parametrize(("share", "text"), [(0.5, "50 points"), (0.0101, "1 point"), (0.0061, "0.6 points")])
def test_points_are_never_rounded_to_nothing(share, text):
    assert points(share) == text


def test_why_not_of_plans_follows_their_judgements():
    plans = {j.kind: j for j in compare_plans(STUDY, coupons=20, seed=3)}
    chosen = plans["optimal"]
    half = plans["half"]
    said = plan_why_not(chosen, half)
    assert f"tells apart {half.quadratic.rank} of 15 ways in which settings may matter instead of 15" in said
    assert ("hours less" in said) == (half.hours < chosen.hours - 0.05)
    assert plan_why_not(chosen, chosen) == "As good on paper; the book does not say why it was not made."
    richer = plan_why_not(half, chosen)
    assert "though it" in richer


def test_handling_takes_what_the_study_knows_and_asks_for_the_rest():
    study = make_study()  # holds peel wait and second press, not the gap
    assert [option for _, option in handling_gaps(study, {})] == ["--gap"]
    assert handling_gaps(study, {"gap": "10 s"}) == ()
    steps = handling_sentences(study, SETPOINT, {"gap": "10 s, flat", "peel": "cold."}, ("warm the film", " "))
    assert steps == (
        "Between cure and press: 10 s, flat.",
        "Peel: wait 10 s, cold.",
        "Second press: 5 s.",
        "Warm the film.",
    )


def test_what_voids_names_the_cliffs_and_the_ends_nobody_tested():
    report = samples()["ready"]
    said = void_sentences(report.study, report.answer, ("a new operator",))
    cliffs = [text for text in said if text.startswith("a cliff: ")]
    assert len(cliffs) == min(2, len(report.answer.cliffs))
    assert said[-1] == "a new operator"
    none = void_sentences(report.study, replace(report.answer, cliffs=(), window=None))
    assert not any("cliff" in text or "nothing was tested" in text for text in none)


def test_cautions_follow_the_verdict_the_window_and_the_run():
    report = samples()["ready"]
    assert caution_sentences(report.study, report.answer, window_held=True) == ()
    assert "no corner of it was confirmed" in caution_sentences(report.study, report.answer)[0]
    assert "did not hold" in caution_sentences(report.study, report.answer, window_held=False)[0]
    more = replace(report.answer, verdict="more coupons", window=None)
    said = caution_sentences(report.study, more, exception="trial", run="No confirmation was made.")
    assert said[0] == "Released without an accepted confirmation. No confirmation was made. Reason: trial."
    assert "more coupons" in said[1]
    assert said[2].startswith("No window: ")


def test_a_confirmation_says_how_often_it_was_tried():
    assert "attempt" not in confirmation_sentence(PROOF)
    assert "It was attempt 3" in confirmation_sentence(replace(PROOF, attempts=3))
    one = replace(PROOF, failures_allowed=1, passed=37, failed=1, units=38, pass_rate_low=0.901)
    assert "37 of 38 coupons passed (allowed: 1 failure)" in confirmation_sentence(one)


def test_the_same_revision_differs_in_nothing_and_another_in_what_changed():
    assert changes_between(recipe(), recipe()) == ()
    press = RecipeSetting("press_temp", "press temperature", "degC", 160.0, 165.0, 1.3, 158.0, 164.0, 163.0, 168.0)
    settings = tuple(press if s.factor == "press_temp" else s for s in recipe().settings if s.factor != "pressure")
    stack = replace(recipe().stack, film=Material("cold film", "", "78"))
    after = recipe(settings=settings, stack=stack, revision=2, why="x")
    changed = {c.what: (c.before, c.after) for c in changes_between(recipe(), after)}
    assert changed["press temperature, on the surface"] == ("163 °C (325 °F)", "160 °C (320 °F)")
    assert changed["press temperature, dial"] == ("167 °C (333 °F)", "165 °C (329 °F)")
    assert changed["press temperature, window on the surface"][1] == "158 to 164 °C (316 to 327 °F)"
    assert changed["film"] == ("cold film (lot 77)", "cold film (lot 78)")
    assert changed["press pressure"] == ("3.0 bar (44 psi)", "nothing")
    assert "cure temperature, on the surface" not in changed


def test_what_differs_between_stacks_is_named_part_by_part():
    stack = recipe().stack
    same = difference_words(stack_differences(stack, stack))
    assert same == "the same fabric, film and powder, to the lot"
    lot = replace(stack, powder=replace(stack.powder, lot="P4"))
    assert difference_words(stack_differences(lot, stack)).startswith("powder: another lot (here fine powder")


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (149.0 - 1 / 9, "degC", "149 °C (300 °F)"),
        (150.5, "degC", "150.5 °C (302.9 °F)"),
        (12.0, "s", "12 s"),
        (2.758, "bar", "2.8 bar (40 psi)"),
    ],
)
def test_amounts_read_well_in_the_unit_they_were_set_in(value, unit, text):
    assert both(RecipeSetting("x", "x", unit, value), value) == text
