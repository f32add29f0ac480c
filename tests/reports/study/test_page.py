from __future__ import annotations

import math
import re
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from doe.domain.outcome import HANDLED_COLUMN
from doe.domain.spec import Spec
from doe.domain.units import Shown
from doe.setpoint.answer import Cliff
from doe.surfaces.classical.batch_errors import Judged
from doe.surfaces.classical.effects import estimate_effects
from doe.surfaces.classical.mixed import fit_mixed
from doe.surfaces.window_model import Priors
from doe.words.cautions import CAUTIONS, FIXED_WORDING
from doe.words.recipe.card import caution_sentences
from doe.words.study.answer import (
    by_answer,
    cliff_sentence,
    lead,
    nearest_cliff,
    next_steps,
    sureness,
    window_sentences,
)
from doe.words.study.standing import headline
from doe.words.typography import NO_BREAK
from doe.words.wording import amount_both, at_least_of_hundred, out_of_hundred, percent
from reports.study.effects import swings_of
from reports.study.page import study_page, study_report
from reports.study.proof import prior_pairs
from reports.views import Picture, StudyPage
from tests.reports.study.samples import MADE_AT, make_study, samples, with_checks
from tests.shared import untapped

CASES = (
    "ready",
    "more coupons",
    "not reachable",
    "no hand-feel",
    "all pass",
    "all fail",
    "two factors",
    "six factors",
    "forbidden",
)


@cache
def html(case: str) -> str:
    return untapped(study_report(samples()[case])).replace(NO_BREAK, " ")


@cache
def page(case: str) -> StudyPage:
    return study_page(samples()[case])


@pytest.mark.parametrize("case", CASES)
def test_every_case_is_one_small_file_that_asks_for_nothing(case):
    text = html(case)
    assert len(text.encode()) < 2_000_000
    assert not re.search(r'(src|href)="(?!#|data:)[^"]*"', text)
    assert not re.search(r'url\((?!#|"?data:)', text)
    ids = re.findall(r'\bid="([^"]*)"', text)
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("case", CASES)
def test_the_order_is_answer_room_maps_reasons_proof_cautions(case):
    text = html(case)
    places = [text.index(f'id="{name}"') for name in ("answer", "room", "maps", "reasons", "proof", "cautions")]
    assert places == sorted(places)


@pytest.mark.parametrize("case", CASES)
def test_cautions_and_fixed_wording_stand_on_every_report(case):
    text = html(case).replace("&#39;", "'")
    assert all(caution in text for caution in (*CAUTIONS, FIXED_WORDING))


@pytest.mark.parametrize("case", CASES)
def test_the_setpoint_is_printed_as_it_is_dialled_in_with_the_surface_beside_it(case):
    report = samples()[case]
    notes = page(case).gauges
    table = None if notes is None else notes.dial_table
    dialled = {} if table is None else {row[0]: row[1] for row in table.rows}
    for f, dial in zip(report.study.factors, page(case).dials, strict=True):
        told = f"{dial.big} ({dial.other})" if dial.other else dial.big
        of_surface = amount_both(f, report.answer.setpoint[f.name], report.shown)
        if f.label in dialled:
            assert told == dialled[f.label]
            assert dial.surface == f"surface {of_surface}"
        else:
            assert told == of_surface
        assert bool(dial.other) == f.is_temperature


@pytest.mark.parametrize("case", CASES)
def test_the_prints_are_those_of_the_answer(case):
    answer = samples()[case].answer
    assert (
        f"we expect {'only ' * (answer.verdict == 'not reachable')}{out_of_hundred(answer.pass_rate)} of 100"
        in html(case)
    )
    assert f"assurance: {math.floor(100 * answer.pass_rate_low)} of 100 prints" in html(case)


@pytest.mark.parametrize(
    ("case", "headline"),
    [
        ("ready", "Ready for confirmation coupons"),
        ("more coupons", "More coupons first"),
        ("not reachable", "Probably no tested setting reaches the target"),
    ],
)
def test_each_verdict_has_its_headline(case, headline):
    assert page(case).headline == headline
    assert html(case).index(headline) < html(case).index('id="room"')


def test_ready_is_never_called_a_release():
    assert "It is not a release." in page("ready").lead
    assert any("confirmation coupons" in step for step in page("ready").steps)


def test_more_coupons_come_with_their_settings():
    report, table = samples()["more coupons"], page("more coupons").next_table
    assert table is not None
    assert len(table.rows) == len(report.answer.next_coupons)
    first = report.answer.next_coupons.iloc[0]
    assert table.rows[0][1:] == tuple(amount_both(f, first[f.name]) for f in report.study.factors)
    assert page("ready").next_table is None


def test_not_reachable_says_what_could_be_changed():
    text = html("not reachable")
    assert "The best dwell seems to lie above the tested 20 s." in text
    assert page("not reachable").setpoint_title == "Best setting found, not good enough"


def test_expected_and_assured_windows_are_never_mixed_up():
    answer = samples()["ready"].answer
    for f, dial in zip(samples()["ready"].study.numeric, page("ready").dials, strict=True):
        assert dial.expected != dial.assured
        assert answer.window is not None
        assert str(round(answer.window.bounds["high"][f.name])) in dial.expected
    expected, assured = page("ready").window_lines
    assert expected.startswith("Expected window:")
    assert "assured" not in expected
    assert assured.startswith("Assured window:")
    only = study_page(replace(samples()["ready"], answer=replace(answer, assured_window=None)))
    assert all(dial.expected and not dial.assured for dial in only.dials)
    assert only.window_lines[1].startswith("No assured window:")
    assert "not a promise" in only.window_lines[1]


def test_without_scores_there_is_no_hand_map_and_the_reader_is_told():
    page_without = page("no hand-feel")
    assert not any("hand" in str(p.svg)[:400] for p in page_without.map_pictures)
    assert any("Hand-feel was not scored" in line for line in page_without.sure_lines)
    assert page_without.flat_lines == ()
    told = page("ready")
    # each map of hand-feel is drawn, or a sentence stands for it (or for both) where it would be nearly one colour
    flat = sum(2 if "(both maps)" in line else 1 for line in told.flat_lines)
    assert len(told.map_pictures) + flat == 2 * len(page_without.map_pictures)


def test_a_categorical_factor_is_compared_level_by_level():
    table = page("six factors").level_table
    assert table is not None
    assert {row[1].removesuffix(" (setpoint)") for row in table.rows} == {"hot", "cold"}
    answer = samples()["six factors"].answer
    here = next(row for row in table.rows if row[1].endswith("(setpoint)"))
    assert here[2] == percent(answer.pass_rate)  # counted as the answer is
    assert here[3] == f"{at_least_of_hundred(answer.pass_rate_low)} %"
    assert page("ready").level_table is None


def test_forbidden_combinations_are_in_words_and_hatched():
    assert page("forbidden").forbidden_lines == (
        "Press temperature 163 °C (325 °F) or more and press dwell 16 s or more: scorch.",
    )


@pytest.mark.parametrize("case", CASES)
def test_every_setting_has_its_room_and_its_coupons(case):
    study = samples()[case].study
    assert [strip.label.lower() for strip in page(case).rooms.strips] == [f.label for f in study.numeric]
    assert len(page(case).strip_pictures) == len(study.factors)


def test_the_settings_that_decide_most_are_mapped_together():
    pictures = page("no hand-feel").map_pictures
    assert len(pictures) == 2
    labels = [[f.label for f in make_study().factors if f.label in sentence_of(picture)] for picture in pictures]
    assert sorted(label for pair in labels for label in pair) == sorted(f.label for f in make_study().factors)


def sentence_of(picture: Picture) -> str:
    """Its title with a small first letter, as labels have."""
    return picture.title[0].lower() + picture.title[1:]


@pytest.mark.parametrize("case", CASES)
def test_the_coupon_table_holds_every_coupon(case):
    assert len(page(case).coupon_table.rows) == len(samples()[case].results)


def test_waiting_and_measured_coupons_show_as_such():
    report = samples()["more coupons"]
    results = report.results.assign(actual_press_temp=[151.3] + [float("nan")] * (len(report.results) - 1))
    results["passed"] = results["passed"].astype(object)
    results.loc[1, "passed"] = None
    rows = study_page(replace(report, results=results)).coupon_table.rows
    assert any("measured 151.3 °C" in text for text in rows[0])
    assert "waiting" in rows[1]


def test_a_grade_stands_with_the_result_where_one_was_given():
    report = samples()["more coupons"]
    passed = report.results["passed"].astype(bool)
    first, other = passed.idxmax(), (~passed).idxmax()
    results = report.results.assign(grade="")
    results.loc[[first, other], "grade"] = ["just", "bad"]
    plain, rows = (study_page(replace(report, results=r)).coupon_table.rows for r in (report.results, results))
    assert "only just passed" in rows[first]
    assert any(text.startswith("failed badly, ") for text in rows[other])
    assert [row for i, row in enumerate(rows) if i not in (first, other)] == [
        row for i, row in enumerate(plain) if i not in (first, other)
    ]


def test_whether_a_coupon_was_handled_well_stands_beside_its_symptom_where_somebody_said_so():
    report = samples()["more coupons"]
    results = report.results.assign(symptom="film_lock", **{HANDLED_COLUMN: ""})
    plain = study_page(replace(report, results=results)).coupon_table
    results.loc[0, HANDLED_COLUMN] = "yes"
    table = study_page(replace(report, results=results)).coupon_table
    heads = [column.text for column in table.columns]
    assert "Handled well" not in [column.text for column in plain.columns]
    assert heads.index("Handled well") == heads.index("Symptom") + 1
    assert [row[heads.index("Handled well")] for row in table.rows[:2]] == ["yes", ""]


def test_a_void_coupon_stays_listed_with_its_reason():
    report = samples()["more coupons"]
    results = report.results.assign(void=["dropped in the oven"] + [None] * (len(report.results) - 1))
    row = study_page(replace(report, results=results)).coupon_table.rows[0]
    assert "void, left out of the fit" in row
    assert "dropped in the oven" in row


def test_where_the_numbers_come_from_is_printed():
    text = html("ready")
    for words in ("0f3a9c41", "0.1.0", "4 March 2031, 15:07 by Ana", "20 coupons scored", "Ben", "first look"):
        assert words in text


def test_method_and_its_error_rates_come_from_the_answer():
    report = samples()["ready"]
    method = {"draws": 200, "of 100 lines called ready, turned out below target": 9}
    pairs = study_page(replace(report, answer=replace(report.answer, method=method))).method_pairs
    assert [(p.name, p.value) for p in pairs] == [(k, f"{v:g}") for k, v in method.items()]


def test_a_report_never_fits_again(monkeypatch):
    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("fitted again")

    monkeypatch.setattr("doe.surfaces.window_gradient.sample_by_slopes", refuse)
    study_page(samples()["two factors"])


def test_the_same_inputs_give_the_same_page():
    assert untapped(study_report(samples()["two factors"])).replace(NO_BREAK, " ") == html("two factors")


def test_names_from_outside_are_escaped():
    report = samples()["two factors"]
    odd = replace(report, study=replace(report.study, name="<script>alert(1)</script>"))
    assert "<script>alert" not in study_report(odd)


def test_fahrenheit_readers_see_fahrenheit_first():
    assert re.fullmatch(r"\d{3} °F", page("two factors").dials[0].big)
    assert re.fullmatch(r"\d{3} °C", page("two factors").dials[0].other)


# --- sentences ---


def test_a_cliff_says_how_far_which_way_and_what_is_seen():
    study = make_study()
    line = cliff_sentence(study, Cliff("press_temp", "higher", 163, 9, 1.8, "over"), Shown("degF"))
    assert line.startswith("Press temperature 16 °F (9 °C) hotter, and film starts to stick")
    assert "1.8 setting errors away" in line


def test_the_nearest_cliff_is_the_first_and_none_is_said_plainly():
    report = samples()["ready"]
    cliffs = (Cliff("dwell", "lower", 9, 4, 4.0, "under"), Cliff("press_temp", "higher", 170, 16, 3.2, "over"))
    some = replace(report.answer, cliffs=cliffs)
    assert nearest_cliff(report.study, some).startswith("Press dwell 4 s shorter")
    assert nearest_cliff(report.study, replace(report.answer, cliffs=())).startswith(
        "No cliff inside the tested ranges"
    )


@pytest.mark.parametrize("verdict", ["ready", "more coupons", "not reachable"])
def test_lead_names_what_is_wanted_and_what_is_expected(verdict):
    report = samples()["ready"]
    text = lead(report.study, replace(report.answer, verdict=verdict, pass_rate=0.913))
    assert "91 of 100 prints" in text
    assert "95 of 100 prints" in text
    assert "hand-feel of 3.5 or more" in text


def test_hand_feel_is_left_out_of_the_words_when_it_does_not_matter():
    report = samples()["ready"]
    study = make_study(spec=Spec(hand_min=None))
    assert "hand-feel" not in lead(study, report.answer)
    assert not any("wanted" in line for line in sureness(study, report.answer))


def test_a_narrow_window_is_called_too_narrow():
    report = samples()["ready"]
    assert report.answer.window is not None
    here = pd.Series(report.answer.setpoint)[list(report.answer.window.bounds.index)].astype(float)
    bounds = pd.DataFrame({"low": here, "high": here})
    narrow = replace(report.answer, window=replace(report.answer.window, bounds=bounds))
    assert "little room to move the dial" in window_sentences(report.study, narrow)[0]


def test_a_window_that_the_tested_range_cuts_off_is_not_called_narrow():
    report = samples()["ready"]
    assert report.answer.window is not None
    setpoint, bounds = dict(report.answer.setpoint), report.answer.window.bounds.copy()
    for f in report.study.numeric:
        middle = (f.low + f.high) / 2
        setpoint[f.name] = middle
        bounds.loc[f.name] = [middle - 2 * f.setting_sd, middle + 2 * f.setting_sd]
    first = report.study.numeric[0]
    setpoint[first.name] = first.low
    bounds.loc[first.name] = [first.low, first.low + 2 * first.setting_sd]
    window = replace(report.answer.window, bounds=bounds, setting_errors=0.0)
    text = window_sentences(report.study, replace(report.answer, setpoint=setpoint, window=window))[0]
    assert "2.0 setting errors or more to every other side" in text
    assert f"The tested range of {first.label} ends sooner" in text
    assert "little room" not in text


def test_one_more_coupon_is_singular():
    report = samples()["more coupons"]
    one = replace(report.answer, next_coupons=report.answer.next_coupons.head(1))
    said = next_steps(report.study, one)[0]
    assert said.startswith("Make a further round of 1 coupon with doe extend")
    assert "centre" not in said
    whole = next_steps(report.study, report.answer)[0]
    assert whole.startswith("Make a further round of 8 coupons with doe extend")
    assert whole.endswith("and repeats the centre first and last.")


def eight_corners(hand: list[float], **changes: object) -> StudyPage:
    coded = [[a, b, c] for c in (-1, 1) for b in (-1, 1) for a in (-1, 1)]
    names = ["cure_temp", "press_temp", "dwell"]
    settings = [row for row in coded for _ in range(len(hand) // 8)]
    effects = estimate_effects(settings, hand, names)
    return study_page(with_checks(samples()["ready"], effects=effects, pass_effects=None, **changes))


def test_an_unreplicated_plan_gets_a_half_normal_plot():
    shown = eight_corners([4.5, 3.0, 4.0, 2.5, 4.5, 3.0, 4.5, 2.5])
    assert "stands out" in shown.effect_pictures[1].title
    assert "Lenth" in shown.effect_pictures[1].caption
    assert shown.check_tables[0].caption.startswith("Effects on hand-feel")
    assert {row[0] for row in shown.check_tables[0].rows} >= {"cure temperature", "press temperature", "press dwell"}


def test_a_replicated_plan_gets_effects_with_intervals():
    shown = eight_corners([4.5, 4.0, 3.0, 3.5, 4.0, 4.0, 2.5, 2.5, 4.5, 4.5, 3.0, 3.0, 4.5, 4.0, 2.5, 3.0])
    assert shown.effect_pictures[1].title.startswith("Cure temperature moves the hand-feel most: −1.2"[:38])
    assert "interval leaves out zero" in shown.effect_pictures[1].caption


def test_drift_and_curvature_are_put_into_words():
    shown = eight_corners(
        [4.5, 3.0, 4.0, 2.5, 4.5, 3.0, 4.5, 2.5], drift=Judged(-0.62, "", -0.9, -0.3, 0.004), curvature=None
    )
    assert any("moved by -0.6 points (-0.9 to -0.3), more than chance explains" in line for line in shown.effect_lines)


@pytest.mark.parametrize("case", CASES)
def test_classical_checks_speak_the_users_words(case):
    names = [f.name for f in samples()[case].study.factors if "_" in f.name]
    told = [*page(case).check_lines, *(table.caption for table in page(case).check_tables)]
    told += [row[0] for table in page(case).check_tables for row in table.rows]
    assert told
    assert not [text for text in told for name in names if name in text]


def test_what_the_batches_cannot_tell_of_hand_feel_reaches_the_reader():
    report = samples()["ready"]
    n = 24
    x = np.tile([-1.0, 1.0], n // 2)
    y = 3.0 + x + np.linspace(0, 0.1, n)
    batch = np.where(x > 0, "1", "2")  # every batch with a setting of its own
    model = fit_mixed(np.column_stack([np.ones(n), x]), y, {"press_batch": batch}, ["constant", "press_temp"])
    told = study_page(with_checks(report, hand_model=model)).check_lines
    assert any(line.startswith("Hand-feel model: every press batch had settings of its own") for line in told)
    assert any("too narrow" in line for line in told)
    assert not any("press_batch" in line for line in told)


def test_hand_feel_that_nobody_scored_is_asked_for_before_coupons():
    report = samples()["ready"]
    empty = report.answer.next_coupons.iloc[:0]
    answer = replace(
        report.answer,
        verdict="more coupons",
        hand=None,
        hand_low=None,
        hand_high=None,
        next_coupons=empty,
        assured_window=None,
        pass_rate=0.99,
        pass_rate_low=0.97,
    )
    study = make_study(spec=Spec(pass_rate=0.95, hand_min=3.5))
    assert headline(by_answer(answer)) == "Score hand-feel first"
    told = lead(study, answer)
    assert "to meet every check;" in told
    assert "No new coupon is needed" in told
    assert "at the settings below" not in told
    expected, inner = window_sentences(study, answer)
    assert "pass rate of the checks alone is 95 % or better" in expected
    assert inner == "No assured window: hand-feel is wanted and was never scored."
    assert not any("new round" in step for step in next_steps(study, answer))
    assert study_page(replace(report, study=study, answer=answer)).headline == "Score hand-feel first"
    assert headline(by_answer(report.answer)) == "Ready for confirmation coupons"
    assert any("never scored" in text for text in caution_sentences(study, answer))
    assert not any("did not settle" in text for text in caution_sentences(study, answer))


def test_a_window_that_is_held_back_is_not_said_to_be_missing():
    report = samples()["ready"]
    answer = replace(report.answer, window=None, assured_window=None, pass_rate=0.97, pass_rate_low=0.96)
    study = make_study(spec=Spec(pass_rate=0.95, hand_min=None))
    for text in window_sentences(study, answer):
        assert "did not vary every setting" in text
        assert "does not hold" not in text
    assert any("did not vary every setting" in text for text in caution_sentences(study, answer))
    short = replace(answer, pass_rate=0.90, pass_rate_low=0.80)
    assert "does not hold 95 %" in window_sentences(study, short)[0]


def test_drift_needs_the_plan_and_says_what_the_repeats_did():
    report = samples()["more coupons"]
    assert page("more coupons").run_pictures[0].title.startswith("Centre setting made")
    assert study_page(replace(report, coupons=pd.DataFrame({"round": [1]}))).run_pictures == ()
    assert MADE_AT.year == 2031


def test_a_lower_bound_is_never_rounded_up():
    report = samples()["ready"]
    answer = replace(report.answer, pass_rate=0.962, pass_rate_low=0.917)
    shown = study_page(replace(report, answer=answer))
    assert any("assurance: 91 of 100 prints" in line for line in shown.sure_lines)
    assert shown.prints.title == "96 of 100 prints expected, at least 91"
    assert str(shown.prints.svg).count('href="#prints-sure"') == 91
    assert not any("92 of 100" in text for note in shown.notes for text in note.answer)


def test_a_typed_target_and_assurance_keep_their_digits():
    report = samples()["ready"]
    study = make_study(spec=Spec(pass_rate=0.975, hand_min=None, assurance=0.995))
    told = " ".join([*sureness(study, report.answer), *window_sentences(study, report.answer)])
    assert "97.5 %" in told
    assert "99.5 % assurance" in told
    assert "98 %" not in told
    assert "97.5 of 100 prints" in lead(study, report.answer)


def test_every_assumption_is_listed_with_its_meaning():
    told = {pair.name: pair.value for pair in prior_pairs(Priors())}
    used = Priors()
    # the middle of the peak and both its spreads
    assert [float(n) for n in re.findall(r"[\d.]+", told["peak logit"])] == list(used.peak_logit)
    # means of the trades with their spread, not spreads
    assert told["trade same dose"] == f"{used.trade_same_dose:g} ± {used.trade_sd:g}"
    assert told["trade, factors that do not both heat"] == f"0 ± {used.trade_sd:g}"


def test_the_factor_that_decides_is_named_flatly_only_when_the_draws_agree():
    swings = swings_of(samples()["ready"])
    assert 0 < swings.first <= 1
    assert replace(swings, first=0.6).decides == "seems to decide most"
    assert replace(swings, first=0.95).decides == "decides most"


def test_passes_and_fails_whose_repeats_agree_are_not_judged_by_a_margin_of_zero():
    coded = [[a, b, c] for c in (-1, 1) for b in (-1, 1) for a in (-1, 1)]
    settings, passed = [*coded, [0, 0, 0], [0, 0, 0]], [0, 1, 0, 1, 1, 1, 1, 1, 1, 1]
    effects = estimate_effects(settings, passed, ["cure_temp", "press_temp", "dwell"])
    report = samples()["ready"]
    shown = study_page(with_checks(report, effects=None, pass_effects=effects)).effect_pictures[-1]
    assert "cannot be judged" in shown.title
    assert "leaves out zero" not in shown.caption


def test_a_number_keeps_its_unit_on_the_line_and_minus_signs_are_true():
    text = study_report(samples()["ready"])
    body = re.sub(r"<(script|style|svg)\b.*?</\1>|data-[a-z]+=\"[^\"]*\"", "", text, flags=re.DOTALL)
    assert not re.search(r"\d (?:°[CF]|s|bar|%)(?![\w/])", body)
    assert not re.search(r"(?<=[\s>(])-\.?\d", body)


def test_headings_of_check_tables_are_short():
    for case in CASES:
        assert max((len(table.caption) for table in page(case).check_tables), default=0) <= 90
