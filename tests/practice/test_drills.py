"""Exercises: repeatable, refusing what cannot be used, honest about score and truth."""

from __future__ import annotations

from collections import Counter
from contextlib import suppress

import numpy as np
import pandas as pd
import pytest

from doe.acts.comparison.plan import USUAL_LOOKS, USUAL_MARGIN, USUAL_POWER
from doe.acts.practising import EXERCISES
from doe.assure.comparison.plan import strokes_for_rates
from doe.assure.days import judge_glances, scores
from doe.domain.errors import InputError
from doe.domain.units import Shown
from doe.practice import drill_blank, drill_fault
from doe.practice.charts import PRINTS
from doe.practice.drill import BarPicture, MapPicture, RunPicture, robust_at, share_of_best
from doe.practice.drill_blank import _VERDICTS, QualifyBlank
from doe.practice.drill_chart import ReadCharts
from doe.practice.drill_compare import Compare
from doe.practice.drill_fault import FindFault
from doe.practice.drill_lot import ANSWERS, TakeInLot
from doe.practice.drill_report import ReadReport
from doe.practice.drill_tune import TunePowder
from doe.practice.drills import DRILLS, reply, start
from doe.symptoms.catalogue import CATALOGUE, FAULTS
from doe.symptoms.diagnosis import diagnose
from doe.words import practice as words
from tests.practice.replay import replay

PLAYED = {
    "tune": ["hint", "125 150 155 14 x2", "135 150 165 14", "= 125 150 155 14"],
    "fault": ["settings", "= dust", "= ink", "= no_gap"],
    "blank": ["setpoint 6", "cool 3", "hot 3", "= holds"],
    "report": ["confirm", "bound", "90"],
    "lot": ["hint", "more"],
    "chart": ["on", "again", "stop", "on"],
    "compare": [
        "110 117 125 132 140",
        "125",
        "90 115 137 170 210",
        "140",
        "140 147 155 162 170",
        "155",
        "8 11 13 16 20",
        "13",
        "the plan's",
    ],
}


@pytest.fixture(scope="module")
def played():
    return {name: replay(name, 1, answers) for name, answers in PLAYED.items()}


def test_the_exercises_are_those_that_are_offered():
    assert tuple(DRILLS) == EXERCISES == tuple(words.ABOUT)


@pytest.mark.usefixtures("exercises_made_anew")
@pytest.mark.parametrize("name", DRILLS)
def test_same_seed_and_answers_give_the_same_outcome(played, name):
    again = replay(name, 1, PLAYED[name])
    first, second = played[name].outcome, again.outcome
    assert (first.score, words.parts(first), words.truth(first), words.table(first)) == (
        second.score,
        words.parts(second),
        words.truth(second),
        words.table(second),
    )


@pytest.mark.parametrize("name", DRILLS)
def test_outcome_adds_up_and_shows_the_truth(played, name):
    drill = played[name]
    outcome = drill.outcome
    assert outcome.score == round(min(100, max(0, sum(points for _, points in outcome.parts))))
    assert outcome.truth
    assert (outcome.picture is None) == (name == "lot")
    assert name == "lot" or isinstance(outcome.picture, MapPicture | BarPicture | RunPicture)
    assert drill.is_over
    assert drill.question() is None
    with pytest.raises(InputError, match="nothing more"):
        drill.answer("more")
    with pytest.raises(InputError, match="none left"):
        drill.hint()


@pytest.mark.parametrize("name", DRILLS)
def test_brief_says_the_rule_of_the_score_and_what_hints_cost(played, name):
    text = " ".join(words.brief(played[name]))
    assert "Score:" in text
    assert "5" in text.partition("Score:")[2]
    assert "hint" in text


@pytest.mark.parametrize("name", DRILLS)
def test_open_exercise_asks_and_has_no_outcome_yet(name):
    drill = start(name, 2)
    assert drill.question() is not None
    with pytest.raises(InputError, match="not finished"):
        _ = drill.outcome
    with pytest.raises(InputError):
        drill.answer("nonsense that is no answer")
    assert not drill.is_over


def test_hints_cost_and_run_out():
    drill = start("report", 3)
    for _ in range(2):
        reply(drill, "hint")
    with pytest.raises(InputError, match="none left"):
        drill.hint()
    for text in PLAYED["report"]:
        drill.answer(text)
    plain = replay("report", 3, PLAYED["report"])
    assert drill.outcome.score == max(0, plain.outcome.score - 10)
    assert ("2 hints", -10) in words.parts(drill.outcome)


# tuning


def test_best_settings_get_full_marks_and_bad_ones_none():
    drill = TunePowder(4)
    best = drill.line.best().settings
    drill.answer("= " + " ".join(f"{float(v):.6f}" for v in best.values()))
    assert drill.outcome.score == 100
    worst = TunePowder(4)
    frame = pd.DataFrame([{f.name: f.low for f in worst.study.numeric}])
    assert worst.line.robust_pass(frame)[0] < 0.5
    worst.answer("= 110 90 140 8")
    assert worst.outcome.score == 0


def test_coupons_cost_time_and_changes_of_temperature_cost_more():
    drill = TunePowder(1)
    drill.answer("125 150 155 14")
    same = drill.minutes
    drill.answer("125 150 155 14")
    assert drill.minutes == pytest.approx(2 * same)
    drill.answer("115 150 155 14")  # ten degrees down at the oven: 15 minutes to settle
    assert drill.minutes == pytest.approx(3 * same + 15)
    assert drill.coupons == 3


def test_budget_and_clock_are_kept():
    drill = TunePowder(1)
    for _ in range(2):
        drill.answer("125 150 155 14 x8")
    with pytest.raises(InputError, match="at most 4"):
        drill.answer("125 150 155 14 x5")
    assert drill.coupons == 16
    slow = TunePowder(1)
    far, refused = ("110 150 140 14", "140 150 170 14"), ""
    for i in range(20):
        try:
            slow.answer(far[i % 2])
        except InputError as error:
            refused = str(error)
            break
    assert refused.startswith("clock")
    assert slow.minutes <= 480


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("125 150 155", "4 numbers"),
        ("125 150 190 14", "140 °C to 170 °C"),
        ("125 150 155 14 x9", "x1 to x8"),
        ("a b c d", "number"),
    ],
)
def test_settings_that_cannot_be_made_are_refused_and_nothing_is_made(text, words):
    drill = TunePowder(1)
    with pytest.raises(InputError, match=words):
        drill.answer(text)
    assert drill.coupons == 0


def test_fahrenheit_is_read_and_shown():
    drill = TunePowder(1, Shown("degF"))
    (made,) = drill.answer("257 150 311 14").coupons
    assert made.settings["cure_temp"] == pytest.approx(125)
    assert any("230 °F to 284 °F" in line for line in words.brief(drill))


def test_apprentice_and_tool_make_coupons_on_the_same_line(played):
    drill = played["tune"]
    picture = drill.outcome.picture
    assert set(picture.marks) == {"yours", "the tool's", "the best"}
    assert len(picture.coupons) == 3
    yours, tool, best = (robust_at(drill.line, s) for s in picture.marks.values())
    assert best >= max(yours, tool) - 0.01


# fault


@pytest.mark.parametrize("seed", range(6))
def test_naming_the_cause_at_once_gives_full_marks_and_minutes_cost(seed):
    drill = FindFault(seed)
    drill.answer("= " + drill.cause.key)
    assert drill.outcome.score == 100
    careful = FindFault(seed)
    careful.answer("weigh")
    careful.answer("= " + careful.cause.key)
    assert careful.outcome.score == 95
    assert careful.outcome.minutes == 5


def test_three_wrong_causes_end_it_with_nothing(played):
    drill = FindFault(1)
    wrong = [f.key for f in FAULTS if f.key != drill.cause.key][:3]
    drill.answer(f"= {wrong[0]}")
    with pytest.raises(InputError, match="not named yet"):
        drill.answer(f"= {wrong[0]}")
    for key in wrong[1:]:
        drill.answer(f"= {key}")
    assert drill.outcome.score == 0
    assert drill.cause.label in words.truth(drill.outcome)[0]


def play_fault(seed, *, checks):
    """Name causes as the tool ranks them; with checks only once it names one or no minutes are left."""
    drill = FindFault(seed)
    while not drill.is_over:
        found = diagnose(drill.evidence)
        proposed = found.checks[0].look if found.checks else None
        if checks and proposed and not found.settled and drill.minutes + proposed.minutes <= drill_fault.MINUTES:
            drill.answer(proposed.key)
        else:
            drill.answer("= " + next(c.fault.key for c in found.causes if c.fault.key not in drill.wrong))
    return drill.outcome.score


def test_guessing_costs_what_it_costs_in_the_shop():
    guessed, checked = ([play_fault(seed, checks=c) for seed in range(24)] for c in (False, True))
    assert sum(checked) > sum(guessed) + 24 * 15
    drill = FindFault(0)
    wrong = next(f for f in FAULTS if f.key != drill.cause.key and f.at == "the machine")
    assert "55 minutes" in words.said(drill.answer(f"= {wrong.key}"))[0].replace("\u00a0", " ")
    drill.answer("= " + drill.cause.key)
    assert drill.outcome.score == 45


def test_minutes_of_checks_are_limited_and_a_check_is_made_once():
    drill = FindFault(2)
    drill.answer("settings")
    with pytest.raises(InputError, match="not made yet"):
        drill.answer("settings")
    for key in ("map_press", "gauge_oven", "fresh_powder", "gauge_press", "weigh", "wait_cold", "peel_slow", "let_lie"):
        drill.answer(key)
    assert drill.minutes == 56
    drill.answer("dry_cloth")  # 4 minutes: just fits
    with pytest.raises(InputError, match="at most 0"):
        drill.answer("room")


def test_asking_what_a_check_is_costs_nothing():
    drill = FindFault(2)
    assert "Weigh a film" in words.said(drill.answer("? weigh"))[0]
    assert drill.minutes == 0
    assert "powder_excess" in words.said(drill.answer("="))[0]


# blank


def test_cases_of_blanks_are_clear_and_both_kinds_come():
    kinds = set()
    for seed in range(12):
        drill = QualifyBlank(seed)
        rate = robust_at(drill.new, drill.recipe)
        assert rate >= 0.95 or rate <= 0.85
        assert robust_at(drill.old, drill.recipe) >= 0.95
        kinds.add(rate >= 0.95)
    assert kinds == {True, False}


def test_right_verdict_without_enough_coupons_counts_half():
    scores = {}
    for verdict in _VERDICTS:
        drill = QualifyBlank(0)
        drill.answer("setpoint 4")
        drill.answer(f"= {verdict}")
        scores[verdict] = drill.outcome.score
    assert sorted(scores.values()) == [0, 20, 49]
    drill = QualifyBlank(0)
    for place, many in drill.asked_for.items():
        drill.answer(f"{place} {many}")
    drill.answer("= holds")
    assert drill.outcome.score == round(100 - 0.5 * drill.coupons) > 70


def test_a_blank_is_asked_as_many_coupons_as_a_comparison_makes_of_it():
    wanted = (USUAL_MARGIN, USUAL_POWER, USUAL_LOOKS)
    assert wanted == (drill_blank.MARGIN, drill_blank.POWER, drill_blank.LOOKS)
    assert QualifyBlank(0).study.spec.assurance == drill_blank.ASSURANCE
    asked_for = QualifyBlank(0).asked_for
    assert asked_for["setpoint"] == strokes_for_rates(
        robust_at(QualifyBlank(0).old, QualifyBlank(0).recipe), margin=USUAL_MARGIN, alpha=0.05, power=USUAL_POWER
    )
    assert sum(asked_for.values()) <= drill_blank.COUPONS


def test_corner_settings_stay_in_window_and_ranges():
    drill = QualifyBlank(3)
    for place in ("cool", "hot"):
        for f in drill.study.numeric:
            low, high = drill.window[f.name]
            assert f.low <= low <= drill.settings_of(place)[f.name] <= high <= f.high


# report, compare


def test_right_next_step_follows_the_verdict_and_a_good_guess_counts():
    drill = ReadReport(1)
    step = {"ready": "confirm", "more coupons": "more", "not reachable": "change"}[drill.answer_given.verdict]
    true = robust_at(drill.line, {k: float(v) for k, v in drill.answer_given.setpoint.items()})
    for text in (step, "nothing", f"{100 * true:.4f}"):
        drill.answer(text)
    assert drill.outcome.score == 100


def test_sweeps_cost_as_many_coupons_as_the_plan_gets(played):
    drill = played["compare"]
    assert isinstance(drill, Compare)
    assert drill.coupons == drill.outcome.coupons == 20
    assert words.table(drill.outcome)[0] == ("factor", "yours", "the plan's", "the best")
    yours, plan, _ = (robust_at(drill.line, s) for s in drill.outcome.picture.marks.values())
    assert (dict(words.parts(drill.outcome))["which of the two holds better: 30"] == 30) == (plan > yours)


def test_share_of_best_is_held_between_0_and_1():
    assert share_of_best(0.99, 0.97) == 1
    assert share_of_best(0.75, 1.0) == pytest.approx(0.5)


# lots


def test_a_lot_is_taken_in_as_the_rule_of_a_staged_comparison_takes_it_in():
    ends = set()
    for seed in range(40):
        drill = TakeInLot(seed)
        while not drill.is_over:
            stage, counts = drill.rule[len(drill.said)], drill.counts()
            assert counts["pairs"] == stage.pairs
            assert f"only the new lot failed in {counts['only_new']}" in words.asked(drill.question())[0]
            surplus = counts["only_new"] - counts["only_old"]
            if counts["only_old"] + counts["both"] > stage.in_use:
                right = "line"
            elif surplus >= stage.worse:
                right = "worse"
            elif counts["only_new"] <= stage.go_on:
                right = "go on"
            else:
                right = "more" if stage is not drill.rule[-1] else "open"
            drill.answer(right)
        ends.add(right)
        assert drill.outcome.score == 100
        assert drill.outcome.coupons == 2 * counts["pairs"]
    assert ends >= {"line", "worse", "go on"}


def test_a_wrong_word_after_a_stage_costs_its_share_and_the_rule_is_told():
    seed = next(s for s in range(60) if TakeInLot(s).judged.verdict == "more pairs")
    drill = TakeInLot(seed)
    assert "more pairs" in words.said(drill.answer("go on"))[0]
    while not drill.is_over:
        drill.answer(next(key for key, verdict in ANSWERS.items() if verdict == drill.judged.verdict))
    assert drill.outcome.score == round(100 * (1 - 1 / len(drill.said)))


# run charts


def test_charts_are_read_as_the_rules_of_first_articles_read_them():
    seen = set()
    for seed in range(12):
        drill = ReadCharts(seed)
        for chart in drill.charts:
            asked, _ = words.asked(drill.question(), Shown("degF"))
            if chart.off:
                assert f"{1.8 * chart.off[-1]:+.1f}" in asked
            else:
                assert ", ".join(map(str, chart.score)) in asked
            if chart.off:
                verdict = judge_glances(chart.off, chart.u)
                assert chart.right == {"": "on", "glance": "again", "drift": "stop"}[verdict]
                assert all(judge_glances(chart.off[:n], chart.u) != "drift" for n in range(1, len(chart.off)))
            else:
                assert list(chart.score) == scores(chart.rule, [(PRINTS, f) for f in chart.failed])
                over = [s >= chart.rule.limit for s in chart.score]
                assert not any(over[:-1])
                assert chart.right == ("stop" if over[-1] else "on")
            seen.add((bool(chart.off), chart.right))
            drill.answer(chart.right)
        assert drill.outcome.score == 100
    assert seen == {(True, "on"), (True, "again"), (True, "stop"), (False, "on"), (False, "stop")}


def test_always_stopping_is_no_way_to_read_a_chart():
    drill = ReadCharts(5)
    for _ in drill.charts:
        drill.answer("stop")
    assert drill.outcome.score <= 50


# what is seen


def test_what_fails_is_seen_in_a_believable_mix():
    rng, seen = np.random.default_rng(3), []
    for seed in range(8):
        drill = TunePowder(seed)
        for _ in range(20):
            text = " ".join(f"{rng.uniform(f.low, f.high):.3f}" for f in drill.study.numeric)
            with suppress(InputError):
                seen += [made.symptom for made in drill.answer(text).coupons if not made.passed and made.symptom]
    counts = Counter(seen)
    assert set(counts) <= {s.key for s in CATALOGUE}
    assert len(counts) >= 10
    assert counts.most_common(1)[0][1] < 0.4 * len(seen)
    assert counts["yellowing"] < 0.1 * len(seen)
    assert counts["film_lock"] + counts["blisters"] > counts["yellowing"]


def test_the_case_is_said_again_at_every_step():
    drill = FindFault(3)
    drill.answer("room")
    wrong = next(f for f in FAULTS if f.key != drill.cause.key)
    drill.answer(f"= {wrong.key}")
    said = words.case(drill)
    assert all(s.label in said for s in CATALOGUE if s.key in drill.symptoms)
    assert "room:" in said
    assert wrong.label in said
    blank = QualifyBlank(1)
    blank.answer("setpoint 4")
    assert "of 4 passed" in words.case(blank)


# drawings


@pytest.mark.parametrize("key", ["", *(s.key for s in CATALOGUE)])
def test_every_symptom_has_its_own_drawing_of_one_size(key):
    lines = words.drawing(key)
    assert len(lines) == 5
    assert {len(line) for line in lines} == {words.SIGNS}
    assert "".join(lines).isascii()
    others = [words.drawing(s.key) for s in CATALOGUE if s.key != key]
    assert lines not in others


def test_drawing_of_an_unknown_symptom_is_refused():
    with pytest.raises(InputError, match="film_lock"):
        words.drawing("film lok")


@pytest.mark.parametrize(("name", "seed"), [("tuning", 1), ("tune", -1)])
def test_unknown_exercise_or_seed_is_refused(name, seed):
    with pytest.raises(InputError):
        start(name, seed)
