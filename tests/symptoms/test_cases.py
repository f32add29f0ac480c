"""Sixty cases as people tell them (common practice, no source): everyday words and what is known, and the cause.

The cause must stand among the first three; where `FIRST`, it must be the first.
"""

from __future__ import annotations

import pytest

from doe.domain.errors import InputError
from doe.domain.gauge import GaugeReading
from doe.domain.said import squeeze
from doe.symptoms.advice import ReferenceSettings, advise
from doe.symptoms.catalogue import CATALOGUE, EVERYDAY, may_be_meant, meant
from doe.symptoms.diagnosis import Evidence, diagnose
from doe.symptoms.known import Known
from doe.words.diagnosis import CLOSING, advice_sentences, headline


def press(off: float, place: str = "centre") -> GaugeReading:
    return GaugeReading("press", 155, None, 155 + off, place)


def oven(off: float) -> GaugeReading:
    return GaugeReading("oven", 120, None, 120 + off)


RIGHT = {"press_temp": "inside", "dwell": "inside", "cure_temp": "inside", "cure_time": "inside"}
FIRST = "first"

CASES = [
    ("it hangs up there and sticks to the platen", {}, {}, "platen_dirty", FIRST),
    ("stuck to the press when I opened it", {}, {}, "platen_dirty", FIRST),
    ("it sticks to the cover sheet", {"settings": RIGHT}, {}, "platen_dirty", FIRST),
    ("greenish on black shirts", {}, {}, "white_thin", FIRST),
    ("a grey white on navy", {}, {}, "white_thin", FIRST),
    ("see through since Monday", {"ink_months": 9}, {}, "white_thin", FIRST),
    ("flat colours next to last week's", {}, {"white_stirred": "settled"}, "white_thin", FIRST),
    ("there is a shadow beside every letter", {}, {}, "film_moved", FIRST),
    ("double edges", {}, {}, "film_moved", FIRST),
    ("looks double", {}, {"tape_film": "better"}, "film_moved", FIRST),
    ("a stripe all the way across", {}, {}, "ink", FIRST),
    ("banding in the blue", {}, {}, "ink", FIRST),
    ("lines through it", {}, {"film_light": "holes"}, "ink", FIRST),
    ("it curls like a leaf", {}, {}, "cure_runs_hot", ""),
    ("curls at once", {"settings": RIGHT, "readings": (oven(14),)}, {}, "cure_runs_hot", FIRST),
    ("nothing came off the film", {}, {"film_packet": "smooth"}, "wrong_side", FIRST),
    ("didn't transfer one bit", {"settings": RIGHT, "readings": (press(0),)}, {}, "wrong_side", ""),
    ("it didn't transfer at all", {"settings": RIGHT, "readings": (press(-14),)}, {}, "press_not_reached", FIRST),
    ("didn't transfer", {"settings": {"press_temp": "low", "dwell": "inside"}}, {}, "press_set_low", FIRST),
    ("it won't peel", {"film_class": "hot", "peel_wait_s": 180}, {}, "peel_late", FIRST),
    ("will not peel any more", {}, {"steps_left_out": "late"}, "peel_late", FIRST),
    ("film tears when I pull", {"film_class": "cold", "recipe_film_class": "hot"}, {}, "wrong_class", FIRST),
    ("won't release", {"settings": RIGHT, "readings": (press(16),)}, {}, "press_runs_hot", FIRST),
    ("won't peel, bubbles in the solid", {"gap_s": 1}, {}, "no_gap", FIRST),
    ("bubbles, won't peel", {"settings": RIGHT, "readings": (oven(15),), "gap_s": 20}, {}, "cure_runs_hot", FIRST),
    ("bubbling everywhere", {"humidity_pct": 78, "gap_s": 15}, {}, "moisture", ""),
    ("bubbles", {"gap_s": 20}, {"dry_cloth": "better"}, "cloth_damp", FIRST),
    ("looks boiled", {"settings": {"cure_temp": "high"}}, {}, "cure_set_high", FIRST),
    ("oily on the back two days on", {"when": "days later"}, {}, "humectant", FIRST),
    ("greasy film from the shelf", {"when": "days later"}, {"back": "wet"}, "humectant", FIRST),
    ("droplets, wet back", {"settings": RIGHT, "readings": (oven(-13),)}, {}, "cure_not_reached", FIRST),
    ("sandy back", {"settings": {"cure_temp": "low", "cure_time": "inside"}}, {}, "cure_set_low", FIRST),
    ("gritty under the thumb", {"settings": RIGHT, "readings": (oven(-12),)}, {}, "cure_not_reached", FIRST),
    ("rough back", {"settings": RIGHT, "readings": (oven(0),)}, {"powder_packet": "another"}, "powder_coarse", FIRST),
    ("glassy", {"settings": {"cure_time": "high", "cure_temp": "inside"}}, {}, "cure_set_high", FIRST),
    ("specks all round", {"humidity_pct": 22}, {}, "powder_uneven", FIRST),
    ("powder around the logo", {}, {"film_powdered": "stray", "room": "dry"}, "powder_uneven", FIRST),
    ("powder around it, feels like cardboard", {}, {}, "powder_excess", FIRST),
    ("like cardboard", {}, {"weigh": "more"}, "powder_excess", FIRST),
    ("small letters gone", {"film_class": "hot", "peel_wait_s": 4}, {"peel_slow": "better"}, "peel_fast", FIRST),
    ("thin lines lost", {}, {"weigh": "less"}, "powder_thin", FIRST),
    ("stringy", {"film_class": "cold", "peel_wait_s": 5}, {}, "peel_early", FIRST),
    ("missing patches at the hinge", {"where": "one place"}, {}, "press_cold_spot", FIRST),
    ("bald spots", {"where": "one place"}, {"turn_round": "stays"}, "press_cold_spot", FIRST),
    ("bald spots over the zip", {}, {"turn_round": "seam"}, "pressure_low", FIRST),
    ("fell off whole in the machine", {}, {"water_drop": "beads"}, "fabric_finish", FIRST),
    ("corners lift in the wash", {"wash_wait_h": 2}, {}, "wash_early", FIRST),
    ("fell off whole", {"wash_wait_h": 48}, {"kept_coupon": "holds"}, "washed_hard", FIRST),
    ("washed out to grey", {"wash_wait_h": 40}, {"kept_coupon": "holds"}, "washed_hard", FIRST),
    ("corners lift in the wash", {}, {"steps_left_out": "no_second"}, "no_second_press", FIRST),
    (
        "turned pink overnight",
        {"dyed_polyester": True, "settings": RIGHT, "readings": (press(0),)},
        {},
        "dye_moves",
        FIRST,
    ),
    ("shirt colour in the white", {"dyed_polyester": True}, {"bare_cloth": "colour"}, "dye_moves", FIRST),
    ("smoke and burnt", {"settings": {"press_temp": "high", "dwell": "inside"}}, {}, "press_set_high", FIRST),
    ("went brown", {"settings": RIGHT, "readings": (press(18),)}, {}, "press_runs_hot", FIRST),
    ("a shiny box round it", {}, {"pressure": "high"}, "pressure_high", FIRST),
    ("square mark", {}, {"steps_left_out": "no_pad"}, "no_pad", FIRST),
    ("wavy after the laundry", {}, {"bare_cloth": "brown"}, "fabric_shrinks", FIRST),
    ("turned pink, wavy", {}, {"neck_label": "cloth"}, "wrong_blank", FIRST),
    ("flat colours", {}, {"neck_label": "ink"}, "wrong_ink", FIRST),
    ("stays sticky", {}, {"powder_packet": "another"}, "powder_low_melt", FIRST),
    ("hairy after three washes", {"wash_wait_h": 30}, {}, "powder_thin", ""),
    ("tiny holes", {}, {"film_light": "holes"}, "ink", FIRST),
]


def test_there_are_sixty_cases_and_none_uses_a_name_of_the_list():
    assert len(CASES) >= 60
    names = {name for s in CATALOGUE for name in (s.key, s.label)}
    assert not {part.strip() for told, *_ in CASES for part in told.split(",")} & names


@pytest.mark.parametrize(("told", "facts", "found", "cause", "rank"), CASES, ids=[f"{i}" for i in range(len(CASES))])
def test_a_case_in_everyday_words_comes_to_its_cause(told, facts, found, cause, rank):
    seen = meant(told, "symptom")
    judged = diagnose(Evidence(seen, known=Known(**facts), found=found))
    most = 1 if rank == FIRST else 3
    assert judged.rank(cause) <= most, [(c.fault.key, round(c.p, 2)) for c in judged.causes[:4]]


@pytest.mark.parametrize("said", ["peeling", "it's coming off", "holes", "sticky", "faded"])
def test_unclear_words_are_asked_about(said):
    with pytest.raises(InputError, match="Say which of these it is"):
        meant(said, "--symptom")


SENTENCES = {
    "the corners come off in the wash": ("edge_lift_wash",),
    "it feels like cardboard": ("stiff_hand",),
    "white haze after wash": ("pilling", "colour_shed", "edge_haze"),
    "shiny square around the print": ("press_mark",),
    "an edge comes up when I rub it with my thumb": ("edge_lift_dry",),
    "the entire badge floated off in the machine": ("sheet_lift_wash",),
    "it splits open as soon as somebody stretches the sleeve": ("stretch_crack",),
    "little pockets of air below the logo": ("blisters",),
    "our white went the colour of ivory": ("yellowing",),
    "red of the fabric crept into the logo": ("dye_bleed",),
    "half of it stayed behind on the film": ("patchy_transfer", "small_part_loss"),
    "nothing on the garment at all": ("no_transfer",),
    "we cannot get the film away": ("film_lock",),
    "the underside is like sand": ("grainy_back",),
    "adhesive soaked to the reverse": ("strike_through",),
    "ragged outlines": ("string_peel",),
    "lint pushes through it": ("pilling",),
    "each letter has a second outline": ("ghost",),
    "the film bends up on the belt": ("film_curl",),
    "the logo came out smaller": ("print_shrank",),
    "the knit shows": ("sunk_print",),
    "it hangs on the upper plate": ("platen_stick",),
    "colours look muddy today": ("dull_colour",),
    "fine details are gone": ("small_part_loss",),
    "fell off when I lifted it": ("no_transfer", "edge_lift_wash", "sheet_lift_wash"),
    "a stripe in every one": ("line_holes",),
}
"""What people say in a sentence, and what it may mean (common practice, no source); several are asked about."""


@pytest.mark.parametrize("told", SENTENCES)
def test_a_sentence_is_understood_by_its_words_in_any_order(told):
    assert may_be_meant(told) == SENTENCES[told]
    words = told.split()
    assert set(may_be_meant(" ".join(reversed(words)))) >= set(SENTENCES[told]) or "like cardboard" in told


def test_no_sentence_says_the_list_again():
    names = {squeeze(name) for s in CATALOGUE for name in (s.key, s.label, s.seen)}
    assert not {squeeze(told) for told in SENTENCES} & names


@pytest.mark.parametrize("told", ["it looks fine", "the shirt", "passed", "a nice print", "good edges", "washed twice"])
def test_words_that_name_nothing_wrong_mean_no_symptom(told):
    assert may_be_meant(told) == ()


def test_every_everyday_word_leads_to_symptoms_of_the_list():
    keys = {s.key for s in CATALOGUE}
    assert {key for may_be in EVERYDAY.values() for key in may_be} == keys


def test_locked_film_with_blisters_stays_open_until_something_was_looked_at():
    judged = diagnose(Evidence(("film_lock", "blisters")))
    assert not judged.settled
    assert len(judged.tied) >= 2
    assert advise(judged, Evidence(("film_lock", "blisters")), ReferenceSettings()).remedy == ""


def test_two_faults_at_once_are_both_named_with_their_remedies_and_how_to_close():
    evidence = Evidence(
        ("ghost", "edge_haze"), known=Known(humidity_pct=22), found={"tape_film": "better", "film_powdered": "stray"}
    )
    judged = diagnose(evidence)
    assert judged.both
    assert headline(judged).startswith("Two faults at once")
    advice = advise(judged, evidence, ReferenceSettings())
    for cause in judged.causes[:2]:
        assert cause.fault.remedy in advice.remedy
    assert CLOSING in advice_sentences(judged, advice)


HOT = {"press_runs_hot", "press_set_high", "cure_runs_hot", "cure_set_high", "no_gap"}


@pytest.mark.parametrize(
    ("facts", "cause"),
    [
        ({"readings": (oven(14),)}, "cure_runs_hot"),
        ({"readings": (press(15),)}, "press_runs_hot"),
        ({"readings": (press(15),), "gap_s": 2}, "press_runs_hot"),
        ({"gap_s": 1}, "no_gap"),
    ],
)
def test_a_locked_film_with_blisters_stays_a_tie_until_gap_or_gauge_was_looked_at(facts, cause):
    seen = ("film_lock", "blisters")
    for nothing_seen in ({}, {"settings": RIGHT}):
        tied = diagnose(Evidence(seen, known=Known(**nothing_seen)))
        assert not tied.settled
        assert set(tied.tied) <= HOT
        assert len(tied.tied) >= 2
    assert diagnose(Evidence(seen, known=Known(**facts))).first.fault.key == cause


def test_another_fibre_than_the_recipes_speaks_for_a_wrong_blank():
    def chance(**facts):
        found = diagnose(Evidence(("edge_lift_wash",), known=Known(**facts)))
        return next(c.p for c in found.causes if c.fault.key == "wrong_blank")

    assert chance(fabric="cotton", recipe_fabric="cotton") == chance(fabric="cotton")
    assert chance(fabric="polyester", recipe_fabric="cotton") > 5 * chance(fabric="polyester")


def test_nothing_is_called_set_right_before_anybody_looked():
    for seen in (("no_transfer",), ("film_lock",), ("grainy_back",)):
        moved = [m for c in diagnose(Evidence(seen)).causes for m in c.moved_by]
        assert not moved
