"""Score entries name their fields, and say everything that is wrong at once."""

from __future__ import annotations

import math
from typing import Any

import pytest

from doe.domain.errors import InputError
from doe.domain.factors import usual_factor
from doe.domain.score import ScoreEntry, entry_problems
from doe.domain.study import Study

STUDY = Study("x", (usual_factor("cure_temp"), usual_factor("dwell"), usual_factor("film_type")))


def test_an_entry_speaks_only_about_what_was_filled_in() -> None:
    assert list(ScoreEntry("R1-01").fields()) == []
    entry = ScoreEntry(
        "R1-01", {"release": True}, ("dull",), "under", {"ana": 4}, {"dwell": 9}, "n", "", cleared=("hand:bo",)
    )
    assert list(entry.fields()) == [
        ("check:release", True),
        ("symptoms", ("dull",)),
        ("side", "under"),
        ("hand:ana", 4.0),
        ("actual:dwell", 9.0),
        ("note", "n"),
        ("void", ""),
        ("hand:bo", None),
    ]
    assert entry_problems(entry, STUDY) == []


def test_an_entry_needs_a_coupon() -> None:
    with pytest.raises(InputError, match="Write the name printed on the label"):
        ScoreEntry(" ")


@pytest.mark.parametrize(
    ("change", "where", "said"),
    [
        ({"checks": {"shine": True}}, "check", "allowed: release, stretch, wash_1, wash_5"),
        ({"side": "left"}, "side", "allowed: under, over, other, unknown, or empty"),
        ({"hand": {"ana": 3.2}}, "hand_ana", "allowed: 1 to 5 in half steps"),
        ({"hand": {"ana": 5.5}}, "hand_ana", "allowed: 1 to 5 in half steps"),
        ({"hand": {"ana": math.nan}}, "hand_ana", "allowed: 1 to 5 in half steps"),
        ({"hand": {" ": 3}}, "hand", "Say who felt the coupon"),
        ({"symptoms": ("",)}, "symptom", "Choose a symptom from the list"),
        ({"actual": {"film_type": 1.0}}, "actual_film_type", "allowed: cure_temp, dwell"),
        ({"actual": {"dwell": 0.0}}, "actual_dwell", "allowed: a number above 0 in s"),
        ({"actual": {"cure_temp": math.inf}}, "actual_cure_temp", "allowed: a number in degC"),
        ({"actual": {"cure_temp": 302.0}}, "actual_cure_temp", "write 302F"),
        ({"void_reason": " "}, "void", "Say in a few words what happened"),
        ({"cleared": ("everything",)}, "cleared", "a field such as hand:ana or note"),
        ({"cleared": ("note",), "note": "n"}, "cleared", "Enter it or clear it, not both"),
    ],
)
def test_what_a_study_cannot_take_is_named(change: dict[str, Any], where: str, said: str) -> None:
    (problem,) = entry_problems(ScoreEntry("R1-01", **change), STUDY, "sheet.csv, row 3")
    assert problem.where == f"sheet.csv, row 3, {where}"
    assert said in str(problem)


def test_every_problem_is_listed() -> None:
    entry = ScoreEntry("R1-01", checks={"a": True, "b": True}, hand={"x": 9}, side="up")
    assert [p.where for p in entry_problems(entry, STUDY)] == [
        "coupon R1-01, check",
        "coupon R1-01, check",
        "coupon R1-01, side",
        "coupon R1-01, hand_x",
    ]
