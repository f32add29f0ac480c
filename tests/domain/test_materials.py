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
    facts_apart,
    facts_for_diagnosis,
    is_peeled_alike,
    material_bands,
    material_checks,
    material_rules,
    opened_too_long,
    unusual_for,
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


def test_films_are_peeled_alike_as_far_as_it_was_said_of_both() -> None:
    hot, cold = (Material("f", facts={"peel": peel}) for peel in ("hot", "cold"))
    assert not is_peeled_alike(hot, cold)
    assert is_peeled_alike(hot, Material("f"))
    assert is_peeled_alike(cold, Material("g", facts={"peel": "cold", "wait": 30.0}))


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
