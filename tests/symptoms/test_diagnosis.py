"""Diagnosis: the faults that practice knows come out first, checks tell them apart, and no setting runs away."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.domain.errors import InputError
from doe.domain.gauge import GaugeReading
from doe.domain.limits import Limits
from doe.symptoms.advice import ReferenceSettings, advise
from doe.symptoms.catalogue import CATALOGUE, FAULTS, LOOKS, SHOWS, fault, look
from doe.symptoms.diagnosis import (
    FAULT_KEYS,
    MOST,
    SYMPTOMS,
    Case,
    Evidence,
    diagnose,
    outcome_probabilities,
    shop_odds,
    starting_odds,
    states,
)
from doe.symptoms.known import Known, shifts

KEYS = [s.key for s in CATALOGUE]


def press(measured: float, place: str = "centre", set_to: float = 155.0) -> GaugeReading:
    return GaugeReading("press", set_to, set_to, measured, place)


def oven(measured: float, set_to: float = 120.0) -> GaugeReading:
    return GaugeReading("oven", set_to, set_to, measured)


# What practice knows (common practice, no source): symptoms and what is known -> the cause that must come first.
FIRST = [
    ("excess powder and haze", ["edge_haze", "stiff_hand"], Known(), "powder_excess"),
    (
        "no powder",
        ["no_transfer"],
        Known(settings={"press_temp": "inside", "dwell": "inside"}, readings=(press(154),)),
        "powder_missing",
    ),
    ("uneven powder in dry air", ["edge_haze"], Known(humidity_pct=25), "powder_uneven"),
    (
        "spoiled powder",
        ["blisters", "edge_lift_wash"],
        Known(powder_months=14, powder_stored="open", gap_s=30, humidity_pct=50),
        "powder_spoiled",
    ),
    (
        "press too cool: set too low",
        ["patchy_transfer", "sheet_lift_wash"],
        Known(settings={"press_temp": "low"}),
        "press_set_low",
    ),
    (
        "press too cool: set right, not reached",
        ["no_transfer", "edge_lift_dry"],
        Known(settings={"press_temp": "inside", "dwell": "inside"}, readings=(press(143),)),
        "press_not_reached",
    ),
    ("press too cool: a cold spot", ["patchy_transfer"], Known(where="one place"), "press_cold_spot"),
    (
        "press too hot: set too high",
        ["film_lock", "press_shrink"],
        Known(settings={"press_temp": "high"}),
        "press_set_high",
    ),
    (
        "press too hot: runs hotter than shown",
        ["film_lock", "strike_through"],
        Known(settings={"press_temp": "inside", "dwell": "inside"}, readings=(press(168),)),
        "press_runs_hot",
    ),
    ("cure too little", ["grainy_back", "colour_shed"], Known(settings={"cure_temp": "low"}), "cure_set_low"),
    (
        "cure too little: not reached",
        ["grainy_back"],
        Known(settings={"cure_temp": "inside"}, readings=(oven(108),)),
        "cure_not_reached",
    ),
    ("cure too much", ["glass_back", "film_lock"], Known(settings={"cure_time": "high"}), "cure_set_high"),
    (
        "cure too much: runs hot",
        ["glass_back"],
        Known(settings={"cure_time": "inside", "cure_temp": "inside"}, readings=(oven(134),)),
        "cure_runs_hot",
    ),
    ("moisture", ["blisters"], Known(humidity_pct=75, gap_s=20), "moisture"),
    ("peeled too fast", ["small_part_loss", "string_peel"], Known(film_class="hot", peel_wait_s=4), "peel_fast"),
    ("peeled too early", ["string_peel"], Known(film_class="cold", peel_wait_s=6), "peel_early"),
    ("pressed straight after cure", ["blisters", "film_lock"], Known(gap_s=1), "no_gap"),
    ("wrong peel class", ["film_lock"], Known(film_class="cold", recipe_film_class="hot"), "wrong_class"),
    ("washed too early", ["edge_lift_wash", "sheet_lift_wash"], Known(wash_wait_h=3), "wash_early"),
    (
        "dye bleed",
        ["dye_bleed"],
        Known(dyed_polyester=True, settings={"press_temp": "inside"}, readings=(press(155),)),
        "dye_moves",
    ),
    ("scorch", ["scorch"], Known(settings={"press_temp": "inside", "dwell": "inside"}), "press_runs_hot"),
    ("stiff hand", ["stiff_hand"], Known(), "powder_excess"),
]


@pytest.mark.parametrize(("symptoms", "known", "cause"), [c[1:] for c in FIRST], ids=[c[0] for c in FIRST])
def test_cause_that_practice_knows_comes_first(symptoms, known, cause):
    found = diagnose(Evidence(tuple(symptoms), known=known))
    assert found.first.fault.key == cause, [(c.fault.key, round(c.p, 2)) for c in found.causes[:4]]


def test_every_fault_and_check_can_be_read_and_hangs_together():
    assert len({f.key for f in FAULTS}) == len(FAULTS)
    assert len({f.label for f in FAULTS}) == len(FAULTS)
    for f in FAULTS:
        assert f.remedy[0].isupper()
        assert f.remedy.endswith(".")
        assert f.shows(), f.key
        assert set(f.links) <= set(KEYS)
        assert 0 < f.per_hundred < 20
        assert max(f.shows().values()) < 1
    for made in LOOKS:
        assert made.words.endswith((".", "?"))
        assert made.minutes > 0
        for outcome in made.outcomes:
            assert set(outcome.brought_by) <= set(FAULT_KEYS)
    # every fault has a check that can find it
    assert {key for made in LOOKS for o in made.outcomes for key, p in o.brought_by.items() if p >= 0.35} >= set(
        FAULT_KEYS
    )


def test_every_pointer_of_the_catalogue_has_a_fault_and_every_symptom_a_cause():
    pointers = {c.pointer for s in CATALOGUE for c in s.causes}
    assert {f.pointer for f in FAULTS if f.pointer is not None} == pointers
    assert (starting_odds().links.max(axis=0) >= SHOWS["weak"]).all()


@pytest.mark.parametrize("made", LOOKS, ids=[made.key for made in LOOKS])
def test_outcomes_of_a_check_are_probabilities_and_the_fault_makes_them_likelier(made):
    there = states(len(FAULTS), 1)
    p = outcome_probabilities(made, there)
    assert p.sum(axis=1) == pytest.approx(np.ones(len(there)))
    for j, outcome in enumerate(made.outcomes):
        for key in outcome.brought_by:
            assert p[1 + FAULT_KEYS.index(key), j] > p[0, j]


@pytest.mark.parametrize("made", LOOKS, ids=[made.key for made in LOOKS])
def test_outcomes_kept_from_before_are_those_worked_out_anew(made):
    there, same_odds = states(len(FAULTS), MOST), replace(starting_odds())
    kept, anew = outcome_probabilities(made, there), outcome_probabilities(made, there, same_odds)
    assert kept is outcome_probabilities(made, there, starting_odds())
    assert np.array_equal(kept, anew)


def test_one_symptom_that_points_many_ways_is_not_settled_and_a_check_is_proposed():
    found = diagnose(Evidence(("stretch_crack",)))
    assert not found.settled
    assert len(found.tied) >= 2
    assert found.checks


@given(keys=st.lists(st.sampled_from(KEYS), min_size=1, max_size=3, unique=True))
@settings(deadline=None, max_examples=25)
def test_order_of_symptoms_and_probabilities_make_sense(keys):
    found = diagnose(Evidence(tuple(keys)))
    again = diagnose(Evidence(tuple(reversed(keys))))
    assert [c.fault.key for c in found.causes[:5]] == [c.fault.key for c in again.causes[:5]]
    assert all(0 <= c.p <= 1 for c in found.causes)
    assert 0 <= found.p_none <= 1
    assert [c.p for c in found.causes] == sorted((c.p for c in found.causes), reverse=True)
    rates = [n.bits_per_minute for n in found.checks]
    assert rates == sorted(rates, reverse=True)


@given(keys=st.lists(st.sampled_from(KEYS), min_size=1, max_size=2, unique=True), made=st.sampled_from(LOOKS))
@settings(deadline=None, max_examples=25)
def test_expected_probability_of_a_cause_stays_the_same_over_the_outcomes_of_a_check(keys, made):
    # what one expects to believe after a check is what one believes before it
    before = diagnose(Evidence(tuple(keys)))
    after = [diagnose(Evidence(tuple(keys), found={made.key: o})) for o in made.outcome_keys()]

    # weights of the outcomes, from any cause whose probability differs: solve by least squares over all causes
    def of(d):
        return np.array([d.causes[d.rank(k) - 1].p for k in FAULT_KEYS])

    table = np.column_stack([of(d) for d in after])
    mix, *_ = np.linalg.lstsq(np.vstack([table, np.ones(len(after))]), np.append(of(before), 1.0), rcond=None)
    assert table @ mix == pytest.approx(of(before), abs=1e-7)
    assert (mix > -1e-6).all()


def test_check_that_finds_a_fault_makes_it_first_and_the_usual_outcome_makes_it_less_likely():
    start = Evidence(("no_transfer",))
    before = diagnose(start)
    cooler = diagnose(replace(start, found={"gauge_press": "cooler"}))
    usual = diagnose(replace(start, found={"gauge_press": "usual"}))
    key = "press_not_reached"
    p = [d.causes[d.rank(key) - 1].p for d in (usual, before, cooler)]
    assert p == sorted(p)
    assert cooler.first.fault.key == key


def test_check_made_or_answered_by_what_is_known_is_not_proposed_again():
    found = diagnose(Evidence(("edge_haze",), known=Known(humidity_pct=50), found={"weigh": "usual"}))
    proposed = {n.look.key for n in found.checks}
    assert not proposed & {"room", "weigh"}
    grainy = diagnose(Evidence(("grainy_back",)))
    assert "back" not in {n.look.key for n in grainy.checks}


def test_symptom_that_was_looked_for_and_is_not_there_speaks_against_its_cause():
    there = diagnose(Evidence(("film_lock",)))
    gone = diagnose(Evidence(("film_lock",), absent=("glass_back",)))
    for key in ("cure_runs_hot", "cure_set_high"):
        assert gone.causes[gone.rank(key) - 1].p < there.causes[there.rank(key) - 1].p


def test_wash_symptoms_do_not_speak_before_the_wash():
    # both have the same links before the wash; if silence about washes counted, they would differ
    early = diagnose(Evidence(("grainy_back",)))
    late = diagnose(Evidence(("grainy_back",), known=Known(when="after wash", wash_wait_h=24)))
    assert early.causes[early.rank("cure_not_reached") - 1].p > late.causes[late.rank("cure_not_reached") - 1].p


def test_fitted_surfaces_move_the_side_that_is_likelier_at_these_settings():
    cool = diagnose(Evidence(("stretch_crack",), known=Known(p_under=0.20, p_over=0.01)))
    hot = diagnose(Evidence(("stretch_crack",), known=Known(p_under=0.01, p_over=0.20)))

    def side(d, which):
        return sum(c.p for c in d.causes if c.fault.side == which)

    assert side(cool, "under") > side(hot, "under")
    assert side(cool, "over") < side(hot, "over")


def test_gauge_that_reads_as_set_clears_the_machine():
    without = diagnose(Evidence(("no_transfer",)))
    with_ = diagnose(Evidence(("no_transfer",), known=Known(readings=(press(155.5),))))
    assert (
        with_.causes[with_.rank("press_not_reached") - 1].p
        < without.causes[without.rank("press_not_reached") - 1].p / 3
    )


def test_platen_map_finds_the_cold_place():
    readings = tuple(
        press(m, p) for m, p in ((155, "centre"), (154, "front"), (153, "back"), (155, "left"), (138, "right"))
    )
    because = [s for s in shifts(Known(readings=readings)) if s.fault == "press_cold_spot"]
    assert because[0].factor > 10
    assert because[0].because.values["place"] == "right"


def test_every_rule_names_faults_that_exist_and_says_why():
    everything = Known(
        humidity_pct=80,
        powder_months=9,
        powder_stored="damp",
        fabric="nylon",
        dyed_polyester=True,
        film_class="cold",
        recipe_film_class="hot",
        peel_wait_s=2,
        gap_s=1,
        wash_wait_h=20,
        since_stroke_s=10,
        when="days later",
        where="one place",
        settings={"press_temp": "low", "cure_time": "high"},
        readings=(press(140), oven(131)),
        p_under=0.1,
        p_over=0.0,
    )
    moved = shifts(everything)
    assert {m.fault for m in moved} <= set(FAULT_KEYS)
    assert all(m.factor > 0 and m.because for m in moved)
    assert shifts(Known()) == ()


# learning


def test_cases_of_the_shop_move_its_odds_by_the_beta_rule():
    cases = [Case(("edge_haze",), "powder_uneven")] * 6 + [Case(("pinholes",), "dust", ("edge_haze",))] * 4
    odds, start = shop_odds(cases), starting_odds()
    i, d = FAULT_KEYS.index("powder_uneven"), FAULT_KEYS.index("dust")
    haze, holes = SYMPTOMS.index("edge_haze"), SYMPTOMS.index("pinholes")
    assert odds.there[i] == pytest.approx((30 * 0.05 + 6) / 40)
    assert odds.links[i, haze] == pytest.approx((8 * start.links[i, haze] + 6) / (8 + 6))
    assert odds.links[i, holes] == pytest.approx(8 * start.links[i, holes] / (8 + 6 * 0.5))  # nobody looked: half
    assert odds.links[d, haze] == 0
    assert odds.cases == 10


def test_a_shop_that_always_finds_the_same_cause_ranks_it_first():
    before = diagnose(Evidence(("stiff_hand",)))
    after = diagnose(Evidence(("stiff_hand",)), shop_odds([Case(("stiff_hand",), "powder_coarse")] * 12))
    assert before.rank("powder_coarse") > 1
    assert after.rank("powder_coarse") == 1
    assert after.cases == 12


def test_case_with_another_cause_makes_the_whole_list_a_little_less_likely():
    after = shop_odds([Case(("scorch",), "")])
    assert (after.there < starting_odds().there).all()
    assert (after.links == starting_odds().links).all()


# advice

RECIPE = ReferenceSettings(
    {"press_temp": 155.0, "dwell": 14.0, "cure_temp": 120.0},
    {"press_temp": (151.0, 159.0), "dwell": (12.0, 16.0)},
    Limits(film_max_degc=165, powder_max_degc=170, fabric_max_degc=165, oven_max_degc=150, press_max_degc=180),
)


def test_dial_set_low_is_moved_back_to_the_recipe_only():
    evidence = Evidence(("no_transfer",), known=Known(settings={"press_temp": "low"}))
    advice = advise(diagnose(evidence), evidence, RECIPE, {"press_temp": 140.0, "dwell": 14.0})
    assert [(m.factor, m.now, m.to) for m in advice.moves] == [("press_temp", 140.0, 155.0)]


BELT = ReferenceSettings(
    {"cure_temp": 120.0, "belt_speed": 0.6}, {"belt_speed": (0.5, 0.7)}, Limits(min_cure_time_s=90), heated_mm=1200
)


@pytest.mark.parametrize(("speed", "level", "cause"), [(0.9, "high", "cure_set_low"), (0.3, "low", "cure_set_high")])
def test_a_faster_belt_is_less_heat_and_never_stops_an_oven_for_being_hot(speed, level, cause):
    symptoms = ("grainy_back", "colour_shed") if cause == "cure_set_low" else ("glass_back", "film_lock")
    assert BELT.level("belt_speed", speed)[0] == level
    assert BELT.is_too_much("belt_speed", speed) == (speed > 0.8)  # 1.2 m in 90 s
    evidence = Evidence(symptoms, known=Known(settings={"belt_speed": level}))
    found = diagnose(evidence)
    assert found.first.fault.key == cause
    advice = advise(found, evidence, BELT, {"cure_temp": 120.0, "belt_speed": speed})
    assert [(m.factor, m.to) for m in advice.moves] == [("belt_speed", 0.6)]
    assert "oven" not in advice.stop


def test_machine_that_runs_hot_is_stopped_and_mended_not_dialled():
    evidence = Evidence(
        ("film_lock", "strike_through"),
        known=Known(settings={"press_temp": "inside", "dwell": "inside"}, readings=(press(173),)),
    )
    advice = advise(diagnose(evidence), evidence, RECIPE, {"press_temp": 155.0, "dwell": 14.0})
    assert advice.stop
    assert advice.call == "licensed"
    assert advice.moves == ()


def test_scorch_stops_the_press_whatever_the_cause():
    evidence = Evidence(("scorch",))
    assert advise(diagnose(evidence), evidence, RECIPE).stop


def test_unsettled_evidence_gives_no_remedy_and_no_move():
    evidence = Evidence(("stretch_crack",))
    advice = advise(diagnose(evidence), evidence, RECIPE, {"press_temp": 120.0, "cure_temp": 90.0})
    assert advice.remedy == ""
    assert advice.moves == ()


@given(
    keys=st.lists(st.sampled_from(KEYS), min_size=1, max_size=2, unique=True),
    level=st.sampled_from(["low", "inside", "high"]),
    now=st.floats(100, 199),
    setpoint=st.floats(100, 215),
    width=st.floats(0, 10),
)
@settings(deadline=None, max_examples=60)
def test_no_move_ever_leaves_window_or_limits(keys, level, now, setpoint, width):
    recipe = ReferenceSettings(
        {"press_temp": setpoint, "cure_temp": setpoint},
        {"press_temp": (setpoint - width, setpoint + width)},
        RECIPE.limits,
    )
    evidence = Evidence(tuple(keys), known=Known(settings={"press_temp": level, "cure_temp": level}))
    advice = advise(diagnose(evidence), evidence, recipe, {"press_temp": now, "cure_temp": now})
    for move in advice.moves:
        assert move.to < 200
        assert move.to <= (165 if move.factor == "press_temp" else 150)
        if move.factor == "press_temp":
            assert setpoint - width <= move.to <= setpoint + width


# bad input


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (Evidence, "found none; allowed: at least one"),
        (lambda: Evidence(("scorch",), ("scorch",)), "seen or not seen"),
        (lambda: Evidence(("film lok",)), "film_lock"),
        (lambda: Evidence(("scorch",), found={"weigh": "much"}), "more, less, usual"),
        (lambda: Evidence(("scorch",), found={"taste": "good"}), "allowed: settings"),
        (lambda: Known(humidity_pct=120), "0 to 100"),
        (lambda: Known(where="left"), "one place"),
        (lambda: fault("gremlins"), "powder_excess"),
    ],
)
def test_what_cannot_be_used_is_refused_in_words(make, words):
    with pytest.raises(InputError, match=words):
        make()


def test_cause_may_be_named_by_the_start_of_its_label():
    assert fault("washed too").key == "wash_early"
    assert look("gauge-press").key == "gauge_press"


def test_a_check_that_never_finds_what_it_is_for_loses_its_word():
    evidence = Evidence(("patchy_transfer",), found={"turn_round": "stays"})
    before = diagnose(evidence)
    blind = shop_odds([Case(("no_transfer",), "press_cold_spot", (), {"turn_round": "usual"})] * 12)
    sighted = shop_odds([Case(("no_transfer",), "press_cold_spot", (), {"turn_round": "stays"})] * 12)
    i = FAULT_KEYS.index("press_cold_spot")
    assert blind.brought["turn_round"][i, 0] < starting_odds().brought["turn_round"][i, 0] < 0.9
    assert sighted.brought["turn_round"][i, 0] > starting_odds().brought["turn_round"][i, 0]
    p = [
        next(c.p for c in diagnose(evidence, odds).causes if c.fault.key == "press_cold_spot")
        for odds in (blind, sighted)
    ]
    assert p[0] < p[1]
    assert before.cases == 0


def test_odds_of_outcomes_leave_room_for_the_usual_one_and_forget_checks_of_older_lists():
    cases = [Case((), "cure_set_low", (), {"back": "grainy", "a check of long ago": "odd", "room": "purple"})] * 500
    learned = shop_odds(cases)
    for key, brought in learned.brought.items():
        assert brought.sum(axis=1).max() <= 0.98 + 1e-12, key
        assert brought.min() >= 0
    assert np.array_equal(learned.brought["room"], starting_odds().brought["room"])
    for key, brought in shop_odds([]).brought.items():
        assert np.array_equal(brought, starting_odds().brought[key])


@pytest.mark.parametrize(("fact", "fault"), [("film_months", "moisture"), ("ink_months", "ink")])
def test_old_film_and_old_ink_move_the_odds(fact, fault):
    def chance(months):
        found = diagnose(Evidence(("blisters",), known=Known(**{fact: months})))
        return next(c.p for c in found.causes if c.fault.key == fault)

    assert chance(1.0) < chance(None) < chance(18.0)
    with pytest.raises(InputError, match="0 to 600"):
        Known(**{fact: -1.0})


@pytest.mark.parametrize(
    ("field", "said", "word"),
    [
        ("finish", "Water-repellent (DWR)", "repellent"),
        ("finish", "silicone wash", "softened"),
        ("finish", "fleece", "brushed"),
        ("white_stirred", "every day", "daily"),
        ("white_stirred", "Never", "seldom"),
        ("powder_stored", "airtight", "sealed"),
        ("fabric", "polycotton", "blend"),
        ("recipe_fabric", "polyamide", "nylon"),
        ("film_class", "cold peel", "cold"),
        ("recipe_film_class", "instant", "hot"),
        ("cloth_weight", "thick", "heavy"),
    ],
)
def test_what_is_known_of_materials_is_read_in_the_words_that_describe_a_stack(field, said, word):
    assert getattr(Known(**{field: said}), field) == word
    assert Known(**{field: said}) == Known(**{field: word})


@pytest.mark.parametrize(
    ("field", "said", "allowed"),
    [
        ("finish", "not coated", "repellent, coated, softened, brushed"),
        ("finish", "shiny", "repellent, coated, softened, brushed"),
        ("white_stirred", "by hand", "daily, weekly, seldom"),
        ("where", "left", "whole, edges, small parts, solids, one place"),
    ],
)
def test_words_that_describe_nothing_are_refused_with_what_is_allowed(field, said, allowed):
    with pytest.raises(InputError, match=rf"{field.replace('_', ' ')}: found '{said}'; allowed: {allowed}"):
        Known(**{field: said})
