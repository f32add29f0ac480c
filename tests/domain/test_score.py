"""Score entries name their fields, and say everything that is wrong at once."""

from __future__ import annotations

import math
from typing import Any

import pytest

from doe.domain.errors import InputError
from doe.domain.factors import usual_factor
from doe.domain.said import read_grade
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
        ({"grade": "great"}, "grade", "allowed: clean, just, slight, bad, or empty"),
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


@pytest.mark.parametrize(
    ("checks", "grade", "is_fine"),
    [
        ({"release": True}, "clean", True),
        ({"release": True, "stretch": True}, "just", True),
        ({"release": True, "stretch": False}, "slight", True),
        ({"release": False}, "bad", True),
        ({}, "bad", True),
        ({"release": True, "stretch": False}, "clean", False),
        ({"release": True}, "slight", False),
    ],
)
def test_a_grade_goes_with_the_checks_of_its_entry(checks: dict[str, bool], grade: str, is_fine: bool) -> None:
    entry = ScoreEntry("R1-01", checks=checks, grade=grade)
    assert ("grade", grade) in list(entry.fields())
    problems = entry_problems(entry, STUDY)
    assert [p.where for p in problems] == ([] if is_fine else ["coupon R1-01, grade"])


def test_a_grade_at_odds_says_what_goes_with_which_result() -> None:
    (problem,) = entry_problems(ScoreEntry("R1-01", checks={"release": False}, grade="clean"), STUDY)
    assert str(problem) == (
        "coupon R1-01, grade: found clean on a coupon that failed; allowed: clean or just when it passed, slight or "
        "bad when it failed. Correct the grade or the checks."
    )


def test_a_grade_can_be_cleared() -> None:
    assert entry_problems(ScoreEntry("R1-01", cleared=("grade",)), STUDY) == []


@pytest.mark.parametrize(
    ("text", "grade"),
    [
        ("clean", "clean"),
        ("Passed clean", "clean"),
        ("only just", "just"),
        ("ONLY JUST passed", "just"),
        ("just", "just"),
        ("slightly", "slight"),
        ("Slight", "slight"),
        ("failed slightly", "slight"),
        ("badly", "bad"),
        ("B", "bad"),
        ("", ""),
        ("n/a", ""),
    ],
)
def test_a_grade_is_read_by_word_code_or_letter_in_any_case(text: str, grade: str) -> None:
    assert read_grade(text, "grade") == grade


def test_another_word_is_no_grade() -> None:
    with pytest.raises(InputError, match="allowed: clean, only just, slightly, badly") as refused:
        read_grade("great", "sheet.csv, row 3, grade")
    assert refused.value.where == "sheet.csv, row 3, grade"
