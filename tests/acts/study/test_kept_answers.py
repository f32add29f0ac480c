"""What a run of the tests works out once for all commands is what they would have worked out themselves."""

from __future__ import annotations

import pickle
from pathlib import Path

import doe.acts.study.fits
from doe.acts.study.fits import answer_data
from doe.setpoint.recommendation import recommend
from doe.surfaces.fitted import fit
from tests.kept_answers import once


def test_the_same_question_is_worked_out_once_and_another_one_by_itself(tmp_path: Path) -> None:
    asked: list[tuple[object, ...]] = []

    def work(*given: object, **more: object) -> list[object]:
        asked.append((*given, *more.values()))
        return [*given, *more.values()]

    kept = once(work, tmp_path)
    first = kept(1, seed=2)
    first.append("changed by who asked first")
    told: list[float] = []
    assert kept(1, seed=2, progress=told.append) == [1, 2]
    assert told == [1.0]
    assert kept(1, seed=3) == [1, 3]
    assert kept(2, seed=2) == [2, 2]
    assert asked == [(1, 2), (1, 3), (2, 2)]


def test_commands_ask_there_and_numerical_tests_do_not() -> None:
    assert doe.acts.study.fits.recommend is not recommend
    assert doe.acts.study.fits.recommend.__wrapped__ is recommend


def test_a_kept_answer_is_the_answer_to_the_digit(study, coupons, tmp_path: Path) -> None:
    fitted = pickle.dumps(fit(study, coupons, seed=1, particles=200))
    kept = once(recommend, tmp_path)
    first, again = (kept(study, pickle.loads(fitted), seed=1) for _ in range(2))
    assert len(list(tmp_path.glob("*.pickle"))) == 1
    assert answer_data(first) == answer_data(again) == answer_data(recommend(study, pickle.loads(fitted), seed=1))
