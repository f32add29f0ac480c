"""Grades on their way from a person through the book into the fit."""

from __future__ import annotations

from pathlib import Path

import pytest

from doe.acts.study.deviations import deviations_of
from doe.acts.study.earlier import coupons_for_prior
from doe.acts.study.fits import fit_of
from doe.acts.study.rounds import grades_at_odds, results_to_learn_from
from doe.book.book import Book
from doe.domain.finding import Finding
from doe.domain.score import ScoreEntry
from doe.domain.study import Study
from doe.words.study.setpoint import said
from doe.words.study.state import deviation
from tests.book.samples import fill, make_study

GRADES = ["clean", "bad", "", "just", "slight", "bad", "clean", "just"]
S = "first article"


def scored(book: Book, grades: list[str]) -> None:
    fill(book, coupons=len(grades))
    book.record(
        S,
        [
            ScoreEntry(f"R1-{i:02d}", checks={"release": grade in ("clean", "just", "")}, grade=grade)
            for i, grade in enumerate(grades, start=1)
        ],
    )


@pytest.fixture
def book(tmp_path: Path):
    with Book.open(tmp_path / "shop.sqlite", who="Ina") as opened:
        yield opened


def test_a_study_recorded_with_grades_is_fitted_with_them(book: Book) -> None:
    scored(book, GRADES)
    fitted = fit_of(book, book.study(S), 1, None)
    assert list(fitted.surfaces.results.grade) == GRADES
    assert list(fitted.surfaces.results.passed) == [True, False, True, True, False, False, True, True]


def test_a_grade_that_a_wash_contradicts_is_left_out_of_the_fit_and_said_in_one_sentence(book: Book) -> None:
    scored(book, GRADES)
    book.record(S, [ScoreEntry("R1-01", checks={"wash_5": False}), ScoreEntry("R1-04", checks={"wash_1": False})])
    fitted = fit_of(book, book.study(S), 1, None)
    assert list(fitted.surfaces.results.grade) == ["", "bad", "", "", "slight", "bad", "clean", "just"]
    found = grades_at_odds(book, S, set(fitted.results["coupon"]))
    assert found == (Finding("grades at odds", {"coupons": ("R1-01", "R1-04")}),)
    assert said(make_study(), found) == (
        "The grades of R1-01 and R1-04 do not go with the checks as they stand and count as not given: grade again, or "
        "leave it so.",
    )
    assert grades_at_odds(book, S, {"R1-02"}) == ()


def test_earlier_coupons_keep_their_grades_where_any_was_given(book: Book) -> None:
    study: Study = make_study()
    scored(book, GRADES)
    graded = coupons_for_prior(results_to_learn_from(book, S), study, {})
    assert list(graded["grade"]) == GRADES
    plain = results_to_learn_from(book, S).assign(grade="")
    assert "grade" not in coupons_for_prior(plain, study, {})


def test_a_corrected_grade_is_a_deviation_and_one_after_a_failed_wash_is_none(book: Book) -> None:
    scored(book, GRADES)
    book.record(S, [ScoreEntry("R1-01", checks={"wash_5": False}, grade="slight")])
    assert deviations_of(book, book.study(S)) == ()
    book.record(S, [ScoreEntry("R1-04", grade="clean")], why="looked again")
    (found,) = deviations_of(book, book.study(S))
    assert deviation(found.what, make_study()) == (
        "Coupon R1-04, grade: corrected from only just passed to passed clean."
    )
