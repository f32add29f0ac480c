"""What plans cost, tell and leave open, in sentences."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest

from doe.domain.factors import usual_factor
from doe.domain.finding import Finding, finding_of
from doe.domain.serial import to_plain
from doe.domain.spec import Spec
from doe.domain.stack import Line, Machine
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.plans.build import add_round, augment_plan, make_plan
from doe.plans.classical import base_points
from doe.plans.compare import ReasonCode, left_out
from doe.plans.confusion import confusion
from doe.plans.decisions import outcome, stepwise
from doe.plans.judge import JudgementCode, judge_plan
from doe.plans.notes import NoteCode
from doe.plans.plan import KINDS
from doe.plans.variance import MODELS
from doe.words.confirmation.plan import TEXTS as OF_CONFIRMATIONS
from doe.words.study.plans import (
    JUDGED,
    KIND_LABELS,
    MODEL_LABELS,
    NOTES,
    REASONS,
    judgement_data,
    kind_label,
    led_to,
    not_tried,
    outcome_cells,
    outcome_note,
    plan_notes,
    said,
    why_left_out,
)
from tests.plans.studies import usual


def test_every_code_and_every_kind_has_its_words():
    assert set(NOTES) == {*get_args(NoteCode), *OF_CONFIRMATIONS}
    assert set(JUDGED) == set(get_args(JudgementCode))
    assert set(REASONS) == set(get_args(ReasonCode))
    assert {"auto", *KIND_LABELS} == set(KINDS)
    assert set(MODEL_LABELS) == set(MODELS)
    assert kind_label("confirm") == "confirm"


def test_aliases_are_said_with_the_names_of_the_factors():
    study = usual(4)
    assert said(judge_plan(make_plan(study, coupons=12, kind="half")).aliases, study) == (
        "Cure temperature × cure time cannot be told from press temperature × press dwell.",
        "Cure temperature × press temperature cannot be told from cure time × press dwell.",
        "Cure temperature × press dwell cannot be told from cure time × press temperature.",
    )


def test_effects_that_hang_together_are_listed():
    study = usual(4, forbidden=("cure_temp >= 139 and cure_time >= 209",))
    found = confusion(study, make_plan(study, coupons=12, kind="half").coupons)
    (text,) = said(found.facts, study)
    assert text.startswith("These effects cannot all be told from one another: cure t")


@pytest.mark.parametrize(
    ("k", "coupons", "kind", "text"),
    [
        (2, 12, "auto", "Chosen automatically: 12 coupons hold a face-centred composite"),
        (4, 28, "auto", "on invented lines with ranges as wide, 28 coupons of this kind led to better settings"),
        (4, 20, "auto", "an optimal plan suits 20 coupons with room for the 15 terms of the full quadratic."),
        (4, 12, "auto", "12 coupons are too few for the 15 terms of the full quadratic, so they are spread out"),
        (4, 10, "auto", "so this is a first look: half fraction with centre coupons."),
        (4, 13, "optimal", "13 coupons are fewer than the 15 terms of the full quadratic"),
    ],
)
def test_why_this_kind_was_chosen(k, coupons, kind, text):
    study = usual(k)
    assert text in plan_notes(make_plan(study, coupons=coupons, kind=kind).notes, study)[0]


def test_named_factors_and_forbidden_combinations_are_reasons():
    study = usual(3, "fabric", forbidden=("cure_temp >= 135 and cure_time >= 180",))
    first = plan_notes(make_plan(study, coupons=28).notes, study)[0]
    assert first.endswith("terms of the full quadratic, named factors and forbidden combinations.")


def test_what_was_done_about_forbidden_combinations_is_said():
    study = usual(3, forbidden=("cure_temp >= 139 and cure_time >= 209 and press_temp >= 169",))
    _, notes = base_points(study, "half")
    assert plan_notes(notes, study) == ("The other fraction was taken, because it holds no forbidden combination.",)
    (moved,) = plan_notes((Finding("moved out of forbidden", {"coupons": 1}),), study)
    assert moved.startswith("1 coupon was moved out of a forbidden combination to the nearest")


def test_batches_minutes_and_their_price_are_said():
    study = usual(4)
    oven, press = plan_notes(make_plan(study, coupons=20, kind="full", seed=9).notes, study)[:2]
    assert oven.startswith("Oven: 4 batches, 75 minutes of settling, where a fully random order would take about ")
    assert "2 batches repeat an earlier setting" in oven or "1 batch repeats an earlier setting" in oven
    assert "without a centre coupon at the start and the end, would take" in oven
    assert press.startswith("Press: ")
    loose = plan_notes(make_plan(study, coupons=20, kind="full", order="random").notes, study)[0]
    assert "fully random order with" in loose
    assert loose.endswith("The first and the last coupon are centre coupons all the same.")


def test_a_later_round_is_named_in_its_notes():
    first = make_plan(usual(3), coupons=12, kind="full", seed=1)
    texts = plan_notes(augment_plan(first, coupons=8, seed=2).notes, first.study)
    assert any(text.startswith("Round 2: Oven: ") for text in texts)


def test_easy_temperatures_and_shared_strokes_are_named():
    study = usual(3)
    easy = Study("easy", tuple(replace(f, hard_to_change=False) for f in study.factors))
    line = Line("line", Machine("oven", 10, 15), Machine("press", 4, 12), coupons_per_stroke=4)
    texts = plan_notes(make_plan(easy, coupons=12, kind="full", line=line).notes, easy)
    assert any(text.startswith("cure temperature is a temperature but not marked as hard to change") for text in texts)
    assert any("coupons share a press stroke with another" in text for text in texts)


def test_steps_are_said_in_the_units_of_the_reader():
    factors = (usual_factor("cure_temp", low=118, high=132), usual_factor("press_temp"))
    study = Study("narrow", factors)
    warnings = judge_plan(make_plan(study, coupons=12, kind="composite")).warnings
    (metric,), (other,) = said(warnings, study), said(warnings, study, Shown(temperature="degF"))
    assert "cure temperature: neighbouring levels are only 7 °C (12.6 °F) apart" in metric
    assert "keep at least 10 °C (18 °F)" in metric
    assert "only 12.6 °F (7 °C) apart" in other
    line = Line("line", Machine("oven", 10, 15, uncertainty_degc=5.7), Machine("press", 4, 12, uncertainty_degc=8.0))
    (close,) = said(judge_plan(make_plan(usual(4), coupons=28, kind="composite"), line=line).warnings, usual(4))
    assert "less than twice the uncertainty of press (16 °C (28.8 °F)): they may not differ in truth." in close


def test_what_a_plan_tells_and_what_it_cannot_are_sentences():
    study = usual(4)
    first_look = judge_plan(make_plan(study, coupons=20, kind="full"))
    can, cannot = said(first_look.can_tell, study), said(first_look.cannot_tell, study)
    assert can[0].startswith(
        "Which factors matter: likely seen are main effects, in units of what coupons of one setting scatter, of "
    )
    assert "for press dwell (power 0.8, tested two-sided at 0.1)." in can[0]
    assert any("Whether the response bends" in s for s in can)
    assert any("Which factor bends" in s for s in cannot)
    assert any("A pass rate by counting: 20 coupons" in s for s in cannot)
    composite = said(judge_plan(make_plan(study, coupons=28, kind="composite")).can_tell, study)
    assert "Batch-to-batch error at the oven: 2 repeated batches of a setting." in composite
    handling, person, precise = said(first_look.assumptions, study)
    assert handling.startswith("Handling: 1.5 minutes a coupon at the oven and 2 at the press")
    assert "cure 150 s, dwell 15 s, wait before peel 10 s, second press 7 s (common practice" in person
    assert "those of the main effects and two-factor interactions for a response that is a number" in precise


def test_coupons_and_factors_that_tell_nothing_are_named():
    plan = make_plan(usual(2), coupons=12, kind="composite")
    alone = judge_plan(add_round(plan, plan.settings.iloc[:1], seed=1))
    assert any("follows R2-01 whatever the result is" in w for w in said(alone.warnings, plan.study))
    factors = (usual_factor("cure_temp"), usual_factor("cure_time"), usual_factor("pressure", low=3.02, high=3.13))
    narrow = Study("narrow", factors)
    cannot = said(judge_plan(make_plan(narrow, coupons=16, kind="composite")).cannot_tell, narrow)
    assert any(s.startswith("Anything about press pressure: every coupon has the same setting of it") for s in cannot)
    assert any("from chance: nothing is left over to judge it by." in s for s in cannot)


def test_plans_that_are_not_possible_have_reasons():
    reasons = {r.kind: why_left_out(r) for r in left_out(usual(4), coupons=20)}
    assert reasons["composite"] == "It needs 26 coupons or more; there are 20."
    assert reasons["quarter"].startswith("It exists for 5 to 6 factors with a range; here it is 4 factors")
    hindered = {r.kind: why_left_out(r) for r in left_out(usual(3, forbidden=("cure_temp >= 135",)), coupons=20)}
    assert "in a forbidden combination. Choose an optimal plan" in hindered["full"]


def test_json_carries_the_facts_beside_the_words():
    study = usual(4)
    judged = judge_plan(make_plan(study, coupons=12, kind="half"))
    data = judgement_data(judged, study)
    assert data["label"] == "half fraction with centre coupons"
    assert data["can_tell"] == said(judged.can_tell, study)
    assert data["facts"]["can_tell"] == judged.can_tell
    assert data["coupons"] == 12


def test_notes_kept_as_sentences_are_said_as_they_are():
    study = usual(4)
    plan = make_plan(study, coupons=20)
    assert tuple(map(finding_of, to_plain(list(plan.notes)))) == plan.notes
    assert plan_notes(("A sentence of long ago.",), study) == ("A sentence of long ago.",)


def test_what_a_plan_led_to_is_said_only_where_it_was_tried():
    study = usual(4)
    tried = outcome(study, "optimal", 20)
    assert tried is not None
    assert led_to(tried).startswith(f"Of {tried.lines} invented lines ")
    assert led_to(tried).endswith(f"pass the checks on {tried.lines * tried.holds:.0f}.")
    steps = stepwise(study)
    assert steps is not None
    assert led_to(steps).endswith(f"on {steps.lines * steps.holds:.0f}, with {steps.made:.0f} coupons on average.")
    assert led_to(outcome(usual(6), "optimal", 20)) == ""
    assert outcome_cells(None) == ("not tried", "")
    assert outcome_note(study, [None]) == ()
    first, second = outcome_note(study, [None, tried])
    assert "the setpoint truly reached 95 %" in first
    # another spec was not tried: what is printed stays what was measured
    other = replace(study, spec=Spec(pass_rate=0.8, hand_min=3.5))
    assert outcome_note(other, [None, tried])[0] == first
    assert "95 % of prints had to pass the checks and hand-feel was not asked for" in first
    assert second.startswith("Step by step")
    assert "with 4 factors and ranges as wide" in first


def test_shares_of_other_numbers_of_factors_say_what_was_tried():
    study = usual(3)
    tried = outcome(study, "optimal", 20)
    assert tried is not None
    assert outcome_cells(tried)[0] == f"{100 * tried.holds:.0f} ± {100 * tried.error:.0f}"
    note, searches = outcome_note(study, [tried])
    assert searches.startswith("Step by step (--step-by-step): of ")
    assert note.startswith(f"Of {tried.lines} invented lines with 3 factors and ranges as ")
    levels = usual(3, "fabric")
    beside = outcome(levels, "optimal", 20)
    assert "with 3 factors, one more of two levels, and ranges as" in outcome_note(levels, [beside])[0]
    assert not_tried(levels) == not_tried(study) == ()


def test_factors_with_which_nothing_was_tried_say_so_and_what_to_do():
    for study in (usual(4, "fabric"), usual(6)):
        (why,) = outcome_note(study, [None])
        assert why.startswith(*not_tried(study))
        assert "tried with 2, 3, 4 or 5 factors with a range, and 3 with one of two levels, not with those of" in why
        assert "doe plan --sizes" in why
