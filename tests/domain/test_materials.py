"""What may be said of materials, and what follows: ranges, looks, warnings, likeness."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

import pytest

from doe.domain.factors import KNOWN_FACTORS
from doe.domain.jsonable import packaged_table
from doe.domain.materials import (
    FACTS,
    Band,
    facts_apart,
    facts_for_diagnosis,
    heard,
    material_bands,
    material_checks,
    material_rules,
    opened_too_long,
    own_waits,
    unusual_for,
    with_what_follows,
)
from doe.domain.serial import stack_from, to_plain
from doe.domain.stack import Material, Stack

ON = date(2031, 9, 15)
CLASSES = {
    "dyed_polyester": {True, False},
    "weight_class": {"light", "heavy"},
    "grain_class": {"fine", "coarse"},
}
"""What follows from other facts, with what it may be."""
HEAVY = next(rule["source"] for rule in packaged_table("materials")["rules"] if rule["code"] == "heavy cloth")
PLAIN = Stack("s", Material("tee"), Material("film"), Material("powder"))


def of(**facts: dict[str, float | str | bool]) -> Stack:
    return replace(PLAIN, **{part: replace(getattr(PLAIN, part), facts=told) for part, told in facts.items()})


def test_a_stack_of_which_nothing_was_said_is_written_down_as_before_and_changes_nothing() -> None:
    assert json.dumps(to_plain(PLAIN)) == (
        '{"name": "s", "fabric": {"name": "tee", "supplier": "", "lot": "", "detail": ""}, '
        '"film": {"name": "film", "supplier": "", "lot": "", "detail": ""}, '
        '"powder": {"name": "powder", "supplier": "", "lot": "", "detail": ""}, "ink": null, "dyed_polyester": false}'
    )
    assert material_rules(PLAIN) == ()
    assert material_bands(PLAIN) == {}
    assert material_checks(PLAIN) == ()
    assert opened_too_long(PLAIN, ON) == ()


def test_what_was_said_comes_back_from_the_book_as_it_went_in() -> None:
    stack = of(fabric={"kind": "nylon", "weight": 90.0}, powder={"melting_low": 100.0, "melting_high": 115.0})
    assert stack_from(json.loads(json.dumps(to_plain(stack)))) == stack


@pytest.mark.parametrize(
    ("facts", "moves"),
    [
        ({"kind": "polyester", "dyed": True}, True),
        ({"kind": "blend", "dyed": True}, True),
        ({"kind": "polyester", "dyed": False}, False),
        ({"kind": "polyester"}, False),
        ({"kind": "cotton", "dyed": True}, False),
    ],
)
def test_dyed_polyester_follows_from_kind_and_dye(facts: dict[str, float | str | bool], moves: bool) -> None:
    stack = of(fabric=facts)
    assert stack.dyed_polyester is moves
    assert ([c.after_hours for c in material_checks(stack)] == [24, 72]) is moves


def test_where_two_rules_name_a_setting_what_is_common_to_them_is_proposed_else_the_lower() -> None:
    assert material_bands(of(fabric={"kind": "polyester"}))["press_temp"].high == 155
    dyed = material_bands(of(fabric={"kind": "polyester", "dyed": True}))["press_temp"]
    assert (dyed.low, dyed.high) == (120, 138)
    far = material_bands(of(fabric={"kind": "cotton", "stretch": True}))["press_temp"]
    assert (far.low, far.high) == (145, 150)
    assert len(far.sources) == 2


def test_powder_is_proposed_to_be_cured_where_it_is_melted_and_warned_about_below() -> None:
    stack = of(powder={"melting_low": 80.0, "melting_high": 95.0})
    band = material_bands(stack)["cure_temp"]
    assert (band.low, band.high) == (95, 125)
    assert [f.code for f in unusual_for(stack, {"cure_temp": (80, 90)})] == ["unmelted"]
    assert unusual_for(stack, {"cure_temp": (80, 120)}) == ()


def test_nylon_at_170_is_outside_what_is_usual() -> None:
    (found,) = unusual_for(of(fabric={"kind": "nylon"}), {"press_temp": (170, 170)})
    assert found.code == "outside"
    assert found.values["usual_high"] == 145


def test_powder_opened_more_than_six_months_ago_is_named() -> None:
    assert [f.values["part"] for f in opened_too_long(of(powder={"opened": "2031-03-01"}), ON)] == ["powder"]
    assert opened_too_long(of(powder={"opened": "2031-05-01"}), ON) == ()


@pytest.mark.parametrize(
    ("new", "in_use", "of_recipe", "waits"),
    [
        ({}, {"peel": "hot"}, 5.0, {}),
        ({"peel": "hot"}, {"peel": "hot"}, 5.0, {}),
        ({"peel": "hot", "wait": 3.0}, {"peel": "hot", "wait": 3.0}, 8.0, {}),
        ({"peel": "cold"}, {"peel": "hot"}, 5.0, {"new": 30.0, "incumbent": 5.0}),
        ({"peel": "cold", "wait": 40.0}, {}, 5.0, {"new": 40.0, "incumbent": 5.0}),
        ({"peel": "cold", "wait": 40.0}, {}, None, {"new": 40.0}),
        ({"peel": "cold"}, {"peel": "hot", "wait": 2.0}, None, {"new": 30.0, "incumbent": 2.0}),
        ({"peel": "hot"}, {"peel": "cold"}, 60.0, {"new": 3.0, "incumbent": 60.0}),
        ({"peel": "hot"}, {"peel": "warm"}, 10.0, {}),
        ({"wait": 10.0}, {"wait": 10.0, "peel": "warm"}, None, {}),
        ({"wait": 0.0}, {"peel": "cold"}, None, {"new": 0.0, "incumbent": 30.0}),
    ],
)
def test_each_film_of_a_pair_has_its_own_wait_where_one_does_not_suit_both(new, in_use, of_recipe, waits) -> None:
    assert own_waits(Material("n", facts=new), Material("u", facts=in_use), of_recipe) == waits


def test_the_age_of_a_packet_makes_no_other_material() -> None:
    ours = Material("p", facts={"opened": "2031-03-01", "kept": "open", "grain_low": 80.0})
    theirs = Material("p", facts={"opened": "2031-04-01", "kept": "sealed", "grain_low": 100.0})
    assert facts_apart(ours, theirs) == ("grain_low",)


def test_facts_tell_a_diagnosis_what_is_known() -> None:
    stack = of(
        fabric={"kind": "cotton", "stretch": True},
        film={"peel": "cold"},
        powder={"opened": "2031-03-15", "kept": "damp"},
    )
    found = facts_for_diagnosis(stack, ON)
    assert found["powder_months"] == pytest.approx(6.05, abs=0.01)
    assert {n: v for n, v in found.items() if n != "powder_months"} == {
        "fabric": "stretch",
        "recipe_film_class": "cold",
        "powder_stored": "damp",
    }
    assert facts_for_diagnosis(of(fabric={"kind": "other"}), ON) == {}
    ink = replace(PLAIN, ink=Material("i", facts={"stirred": "seldom"}))
    assert facts_for_diagnosis(ink, ON) == {"white_stirred": "seldom"}
    assert facts_for_diagnosis(of(fabric={"finish": "DWR", "weight": 300.0}), ON) == {
        "finish": "repellent",
        "cloth_weight": "heavy",
    }


DRIVES = {
    ("fabric", "kind"): ({"kind": "nylon"}, {}),
    ("fabric", "dyed"): ({"kind": "blend", "dyed": True}, {"kind": "blend"}),
    ("fabric", "colour"): ({"colour": "navy"}, {}),
    ("fabric", "weight"): ({"weight": 300.0}, {"weight": 180.0}),
    ("fabric", "finish"): ({"finish": "water repellent"}, {"finish": "enzyme washed"}),
    ("fabric", "stretch"): ({"stretch": True}, {}),
    ("film", "peel"): ({"peel": "hot"}, {}),
    ("film", "wait"): ({"wait": 40.0}, {}),
    ("film", "release"): ({"release": "waxed"}, {}),
    ("powder", "grain"): ({"grain_low": 120.0, "grain_high": 250.0}, {}),
    ("powder", "melting"): ({"melting_low": 100.0, "melting_high": 115.0}, {}),
    ("powder", "opened"): ({"opened": "2031-01-05"}, {}),
    ("powder", "kept"): ({"kept": "open"}, {}),
    ("ink", "opened"): ({"opened": "2031-01-05"}, {}),
    ("ink", "stirred"): ({"stirred": "seldom"}, {"stirred": "daily"}),
}
"""Facts that move what is proposed, looked at, warned about or suspected: one that does, beside one that does not."""


def test_every_fact_moves_something_or_is_there_to_be_found_by() -> None:
    only_found = {("ink", "set")}
    assert DRIVES.keys() | only_found == {(part, name) for part, known in FACTS.items() for name in known}


@pytest.mark.parametrize(("part", "name"), DRIVES, ids=" ".join)
def test_each_fact_moves_ranges_looks_warnings_or_the_odds(part: str, name: str) -> None:
    def told(facts: dict[str, float | str | bool]) -> tuple[object, ...]:
        stack = replace(PLAIN, ink=Material("ink"))
        stack = replace(stack, **{part: replace(getattr(stack, part), facts=facts)})
        notes = tuple(rule.note for rule in material_rules(stack))
        known = {k: v for k, v in facts_for_diagnosis(stack, ON).items() if k not in ("powder_months", "ink_months")}
        return material_bands(stack), material_checks(stack), notes, opened_too_long(stack, ON), known

    assert told(DRIVES[part, name][0]) != told(DRIVES[part, name][1])


def test_heavy_cloth_is_pressed_longer_and_coarse_powder_cured_longer() -> None:
    assert material_bands(of(fabric={"weight": 240.0}))["dwell"] == Band(11, 23, (HEAVY,))
    assert "dwell" not in material_bands(of(fabric={"weight": 239.0}))
    cotton = material_bands(of(fabric={"kind": "cotton", "weight": 400.0}))["dwell"]
    assert (cotton.low, cotton.high) == (11, 23)
    assert unusual_for(of(fabric={"kind": "cotton", "weight": 400.0}), {"dwell": (8, 20)}) == ()
    coarse = material_bands(of(powder={"grain_low": 160.0, "grain_high": 200.0}))
    assert (coarse["cure_time"].low, coarse["cure_time"].high) == (110, 230)
    assert "cure_time" not in material_bands(of(powder={"grain_low": 80.0, "grain_high": 200.0}))


def test_powder_amount_is_proposed_as_one_layer_of_the_grains() -> None:
    band = material_bands(of(powder={"grain_low": 100.0, "grain_high": 150.0}))["powder_amount"]
    assert (band.low, band.high) == (44, 66)
    assert "powder_amount" not in material_bands(of(powder={"grain_low": 1.0, "grain_high": 20.0}))


@pytest.mark.parametrize(
    ("facts", "ends"),
    [
        ({"peel": "cold", "wait": 40.0}, (40, 300)),
        ({"wait": 200.0}, (200, 400)),
        ({"peel": "hot", "wait": 0.0}, (1, 30)),
        ({"peel": "warm", "wait": 30.0}, (5, 30)),
        ({"release": "silicone coat"}, (30, 300)),
        ({"release": "wax", "peel": "cold"}, (30, 300)),
    ],
)
def test_the_wait_before_the_peel_is_that_of_the_film(facts: dict[str, float | str | bool], ends: object) -> None:
    band = material_bands(of(film=facts))["peel_wait"]
    assert (band.low, band.high) == ends


@pytest.mark.parametrize(
    ("text", "meaning"),
    [
        ("Water-Repellent, fluorine free", "repellent"),
        ("PU coating", "coated"),
        ("uncoated", ""),
        ("not coated", ""),
        ("without softener", ""),
        ("brushed inside", "brushed"),
        ("wasserabweisend é 水", ""),
    ],
)
def test_a_finish_is_understood_as_people_write_it(text: str, meaning: str) -> None:
    assert heard("fabric", "finish", text) == meaning


def test_the_colour_says_whether_cloth_is_dyed_unless_somebody_did() -> None:
    assert with_what_follows("fabric", {"colour": "Dark Navy"})["dyed"] is True
    assert with_what_follows("fabric", {"colour": "natural"})["dyed"] is False
    assert with_what_follows("fabric", {"colour": "navy", "dyed": False})["dyed"] is False
    assert "dyed" not in with_what_follows("fabric", {"colour": "sunburst"})


def test_every_rule_is_about_facts_that_can_be_said_and_says_where_it_comes_from() -> None:
    for rule in packaged_table("materials")["rules"]:
        for named, values in rule["when"].items():
            part, name = named.split(".") if "." in named else (rule["part"], named)
            if name in CLASSES:
                assert set(values) <= CLASSES[name]
                continue
            fact = FACTS[part][name]
            assert set(values) <= {"", *(fact.choices or fact.means or (True, False))}, rule["code"]
        assert not rule.get("bands") or rule["source"], rule["code"]
        for name, (low, high) in rule.get("bands", {}).items():
            assert low < high, rule["code"]
            assert name in KNOWN_FACTORS
            assert KNOWN_FACTORS[name].typical[0] <= low
            assert high <= KNOWN_FACTORS[name].typical[1]
        for name, more in rule.get("longer", {}).items():
            assert KNOWN_FACTORS[name].unit == "s"
            assert more > 0
            assert rule["source"], rule["code"]
        for text in ("source", "note", "check_note"):
            told = rule.get(text, "")
            assert not told or "no source" in told or "secondary" in told or "from memory" in told, rule["code"]
        assert bool(rule.get("checks")) == bool(rule.get("check_note"))
