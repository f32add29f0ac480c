"""More evidence for a fault never lowers it: over every gauge reading, age of a reading, wait and setting."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.acts.diagnosis import readings_in_date
from doe.domain.gauge import GaugeReading
from doe.domain.limits import Limits
from doe.symptoms.advice import ReferenceSettings, advise
from doe.symptoms.diagnosis import Evidence, diagnose
from doe.symptoms.known import Known, shifts
from doe.words.diagnosis import stop_sentences

SEEN = [("film_lock", "blisters"), ("no_transfer",), ("grainy_back",), ("edge_lift_wash",), ("glass_back",)]
OFFS = np.arange(-60.0, 44.0, 4.0)
RECIPE = ReferenceSettings(
    {"press_temp": 155.0, "dwell": 14.0, "cure_temp": 120.0},
    {"press_temp": (151.0, 159.0)},
    Limits(film_max_degc=165, powder_max_degc=170, fabric_max_degc=165, oven_max_degc=150, press_max_degc=180),
)


def chance(known: Known, fault: str, seen: tuple[str, ...]) -> float:
    return next(c.p for c in diagnose(Evidence(seen, known=known)).causes if c.fault.key == fault)


def factors(known: Known, fault: str) -> list[float]:
    return [s.factor for s in shifts(known) if s.fault == fault]


def rises(values: list[float]) -> bool:
    return all(b >= a - 1e-12 for a, b in pairwise(values))


@pytest.mark.parametrize(("machine", "stage", "at"), [("press", "press", 155.0), ("oven", "cure", 120.0)])
@pytest.mark.parametrize("seen", SEEN, ids="+".join)
def test_hotter_reading_never_speaks_against_too_hot_nor_for_too_cool(machine, stage, at, seen):
    known = [Known(readings=(GaugeReading(machine, at, None, at + off),)) for off in OFFS]
    assert rises([chance(k, f"{stage}_runs_hot", seen) for k in known])
    assert rises([-chance(k, f"{stage}_not_reached", seen) for k in known])


def test_every_reading_of_a_machine_moves_its_odds_one_way_only():
    for off in np.arange(-100.0, 44.5, 0.5):
        for name, up in (("press_runs_hot", 1), ("press_not_reached", -1)):
            a, b = (
                factors(Known(readings=(GaugeReading("press", 155, None, 155 + x),)), name)[0] for x in (off, off + 0.5)
            )
            assert up * (b - a) >= 0, (off, name)


@given(
    machine=st.sampled_from((("press", "press", 155.0), ("oven", "cure", 120.0))),
    low=st.floats(-60, 44),
    more=st.floats(0, 60),
    gap=st.none() | st.floats(0, 60),
    humid=st.none() | st.floats(0, 100),
)
@settings(max_examples=60, deadline=None)
def test_a_hotter_reading_moves_the_odds_one_way_whatever_else_is_known(machine, low, more, gap, humid):
    kind, stage, at = machine
    cool, hot = (
        Known(readings=(GaugeReading(kind, at, None, at + off),), gap_s=gap, humidity_pct=humid)
        for off in (low, min(low + more, 44.0))
    )
    for fault, up in ((f"{stage}_runs_hot", 1), (f"{stage}_not_reached", -1)):
        assert up * np.prod(factors(hot, fault)) >= up * np.prod(factors(cool, fault)) - 1e-12


def test_colder_place_of_the_platen_is_never_less_of_a_cold_place():
    places = ("front", "back", "left", "right")
    odds = [
        factors(
            Known(
                readings=(
                    GaugeReading("press", 155, None, 155),
                    *(GaugeReading("press", 155, None, 155 - (drop if p == "left" else 0), p) for p in places),
                )
            ),
            "press_cold_spot",
        )[0]
        for drop in np.arange(0.0, 60.0, 0.5)
    ]
    assert rises(odds)


def test_display_error_that_the_dial_makes_up_for_is_none():
    sound = Known(readings=(GaugeReading("press", 155, None, 155.0),))
    made_up = Known(readings=(GaugeReading("press", 165, None, 155.0),), made_up_for={"press": 10.0})
    for key in ("press_runs_hot", "press_not_reached"):
        assert factors(sound, key) == factors(made_up, key)
    left = Known(readings=(GaugeReading("press", 165, None, 143.0),), made_up_for={"press": 10.0})
    assert factors(left, "press_not_reached")[0] > 5


@pytest.mark.parametrize(
    ("field", "fault", "towards", "values", "others"),
    [
        ("gap_s", "no_gap", -1, np.arange(0, 60, 0.5), {}),
        ("wash_wait_h", "wash_early", -1, np.arange(0, 60, 0.5), {}),
        ("since_stroke_s", "press_not_reached", -1, np.arange(0, 120, 5), {}),
        ("peel_wait_s", "peel_early", -1, np.arange(0, 90, 0.5), {"film_class": "cold"}),
        ("powder_months", "powder_spoiled", 1, np.arange(0, 30, 0.5), {}),
        ("film_months", "moisture", 1, np.arange(0, 30, 0.5), {}),
        ("ink_months", "ink", 1, np.arange(0, 30, 0.5), {}),
        ("humidity_pct", "moisture", 1, np.arange(0, 100, 1), {}),
    ],
)
def test_every_wait_and_age_speaks_one_way(field, fault, towards, values, others):
    odds = [float(np.prod(factors(Known(**{field: float(v)}, **others), fault))) for v in values]
    assert rises([towards * p for p in odds])
    assert len(set(odds)) > 1


@pytest.mark.parametrize("seen", [("weak_white",), ("dull_colour", "pinholes"), *SEEN], ids="+".join)
def test_white_that_is_stirred_less_is_never_less_likely_the_cause(seen):
    known = [Known(white_stirred=how) for how in ("daily", "weekly", "seldom")]
    chances = [chance(k, "white_thin", seen) for k in known]
    assert rises(chances)
    assert chances[0] < chances[-1]
    assert chances[0] <= chance(Known(), "white_thin", seen) <= chances[-1]


@pytest.mark.parametrize("finish", ["softened", "coated", "repellent"])
@pytest.mark.parametrize("fabric", ["", "cotton", "nylon", "stretch"])
def test_a_finish_never_speaks_against_itself_whatever_the_cloth(fabric, finish):
    for seen in SEEN:
        plain, made = (chance(Known(fabric=fabric, finish=f), "fabric_finish", seen) for f in ("", finish))
        assert made >= plain
    with_weight = Known(fabric=fabric, finish=finish, cloth_weight="heavy")
    assert chance(with_weight, "press_not_reached", ("no_transfer",)) > chance(
        Known(fabric=fabric, finish=finish), "press_not_reached", ("no_transfer",)
    )


@pytest.mark.parametrize("recipe", [RECIPE, ReferenceSettings(limits=RECIPE.limits), ReferenceSettings()])
@pytest.mark.parametrize("factor", ["press_temp", "cure_temp", "dwell", "cure_time"])
def test_every_setting_typed_counts_and_higher_is_never_less_too_high(recipe, factor):
    stage = "cure" if factor.startswith("cure") else "press"
    top = 260.0 if factor.endswith("_temp") else 500.0
    high, low = [], []
    for value in np.arange(0.0, top, 1.0):
        found = recipe.level(factor, float(value))
        known = Known(
            settings={factor: found[0]} if found else {},
            held_to={factor: found[1]} if found and found[1] != "recipe" else {},
        )
        high.append(float(np.prod(factors(known, f"{stage}_set_high"))))
        low.append(float(np.prod(factors(known, f"{stage}_set_low"))))
    # the recipe is stronger evidence than a usual band, so only the sign of the evidence is swept where both speak
    assert rises([np.sign(np.log(v)) for v in high])
    assert rises([-np.sign(np.log(v)) for v in low])
    assert high[-1] > 1
    assert low[0] > 1


@pytest.mark.parametrize("age", range(0, 500, 7))
def test_readings_out_of_date_are_ignored_and_asked_for(age):
    at = datetime(2030, 6, 1, tzinfo=UTC) - timedelta(days=age)
    reading = GaugeReading("press", 155, None, 135, taken_at=at)
    used, asked = readings_in_date([reading], date(2030, 6, 1))
    assert used == (() if age > 120 else (reading,))
    assert [s.machine for s in asked] == (["press"] if age > 120 else [])


def test_old_places_of_a_map_do_not_speak_beside_a_new_reading():
    now = datetime(2030, 6, 1, tzinfo=UTC)
    old = [GaugeReading("press", 155, None, 130, p, taken_at=now - timedelta(days=200)) for p in ("left", "right")]
    new = GaugeReading("press", 155, None, 155, taken_at=now)
    assert readings_in_date([*old, new], now.date()) == ((new,), ())


@pytest.mark.parametrize("recipe", [RECIPE, ReferenceSettings(limits=RECIPE.limits), ReferenceSettings()])
@pytest.mark.parametrize(("factor", "machine"), [("press_temp", "press"), ("cure_temp", "oven")])
def test_too_hot_is_answered_by_stop_and_which_machine(recipe, factor, machine):
    evidence = Evidence(("edge_haze",))
    found = diagnose(evidence)
    limit = (165 if machine == "press" else 150) if recipe.limits else 200
    for value in np.arange(100.0, 300.0, 0.5):
        advice = advise(found, evidence, recipe, {factor: value})
        too_hot = value >= 200 or (recipe.limits is not None and value > limit)
        assert advice.stop == ((machine,) if too_hot else ()), value
    said = stop_sentences(advise(found, evidence, recipe, {factor: 210.0}), (factor,))
    assert said[0].startswith(f"Stop the {machine}:")
    assert "air the room" in said[0]
    assert "beyond the limits" in said[1]


def test_too_hot_by_the_gauge_stops_the_machine_too():
    evidence = Evidence(("edge_haze",))
    found = diagnose(evidence)
    assert advise(found, evidence, RECIPE, {"press_temp": 155.0}, {"press_temp": 172.0}).stop == ("press",)
    assert advise(found, evidence, RECIPE, {"press_temp": 155.0}, {"press_temp": 166.0}).stop == ()


def test_a_case_known_by_its_settings_alone_is_believed():
    cold = ReferenceSettings().level("cure_temp", 90.0)
    assert cold == ("low", "usual")
    known = Known(settings={"cure_temp": "low"}, held_to={"cure_temp": "usual"})
    assert diagnose(Evidence(("grainy_back",), known=known)).first.fault.key == "cure_set_low"
    assert "settings" not in known.facts()  # comparing with the recipe would still tell
