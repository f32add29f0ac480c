"""Materials in words."""

from __future__ import annotations

import re
from datetime import date

import pytest

from doe.domain.materials import FACTS
from doe.domain.stack import Material
from doe.domain.units import Shown
from doe.words import typed
from doe.words.materials import film_words, told_of, wait_words, waits_line

SAID = {
    "kind": "cotton",
    "dyed": "no",
    "colour": "navy",
    "weight": "5 oz/yd2",
    "finish": "brushed",
    "stretch": "yes",
    "peel": "hot",
    "wait": "3 s",
    "release": "wax",
    "grain": "80..200",
    "melting": "100..115",
    "opened": "2026-01-05",
    "kept": "sealed",
    "set": "four colours",
    "stirred": "daily",
}


@pytest.mark.parametrize("part", FACTS)
def test_everything_that_may_be_said_is_read_and_said_again(part: str) -> None:
    told = "; ".join(f"{name}={SAID[name]}" for name in FACTS[part])
    material = typed.material(f"x; {told}", part)
    assert len(told_of(material, part).split(", ")) == len(FACTS[part])
    assert {name.removesuffix("_low").removesuffix("_high") for name in material.facts or {}} == set(FACTS[part])


def test_facts_read_in_the_units_of_their_reader() -> None:
    powder = typed.material("p; melting=212..239", "powder", Shown("degF"))
    assert powder.facts == {"melting_low": pytest.approx(100), "melting_high": pytest.approx(115)}
    assert told_of(powder, "powder") == "melting range 100 °C to 115 °C"
    assert told_of(powder, "powder", Shown("degF")) == "melting range 212 °F to 239 °F"


def test_films_that_are_peeled_differently_are_told_with_both_waits() -> None:
    said = waits_line({"new": 40.0, "incumbent": 3.0})
    assert "NEW: 40 s; IN USE: 3 s" in said
    assert "NEW: 40 s; IN USE: as its data sheet says" in waits_line({"new": 40.0})
    assert not re.search(r"\d|NEW", waits_line({"new": 40.0, "incumbent": 3.0}, by_key=True))
    assert waits_line({}) == wait_words({}, "new") == film_words(Material("x")) == ""
    assert wait_words({"new": 40.0}, "incumbent") == "peel after: as its data sheet says"


def test_a_day_to_come_is_no_day_on_which_a_packet_was_opened() -> None:
    with pytest.raises(ValueError, match=r"--powder, opened: found .*; allowed: today or earlier"):
        typed.material(f"p; opened={date.today().year + 1}-01-01", "powder")
