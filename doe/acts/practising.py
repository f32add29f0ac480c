"""Practice and the book: which seed a class has, what an apprentice did, the class at a glance."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from zlib import crc32

from doe.book.book import Book
from doe.domain.errors import InputError
from doe.domain.jsonable import named
from doe.practice.drill import DrillResult

DONE, LESSON = "practice", "lesson"
"""Topics of the notes: an exercise that was done, and a seed set for a class."""

EXERCISES = ("tune", "fault", "blank", "report", "chart", "compare")
"""As in `doe.practice.drills`, here without importing what they need."""


@dataclass(frozen=True)
class DrillProgress:
    """One apprentice and one exercise: how often, best and last score, last day."""

    person: str
    exercise: str
    times: int
    best: int
    last: int
    seeds: tuple[int, ...]
    at: datetime


def lesson_seed(book: Book | None, exercise: str) -> int | None:
    """The seed the trainer set last for an exercise; None without one."""
    notes = book.notes(LESSON, exercise) if book is not None else ()
    return int(notes[-1].data["seed"]) if notes else None


def seed_for(book: Book | None, exercise: str, person: str) -> int:
    """The seed of the lesson; once that is done, or without one, a seed this person has not had yet."""
    had = {int(n.data["seed"]) for n in book.notes(DONE, person) if n.data["exercise"] == exercise} if book else set()
    lesson = lesson_seed(book, exercise)
    if lesson is not None and lesson not in had:
        return lesson
    first = crc32(f"{person} {exercise}".encode()) % 9000
    return next(seed for seed in range(first, first + len(had) + 1) if seed not in had)


def keep_outcome(book: Book, person: str, outcome: DrillResult, answers: list[str]) -> int:
    """Store how an exercise went, with the answers, so that it can be walked through again."""
    return book.save_note(
        DONE,
        person,
        {**named(outcome, "exercise", "seed", "score", "coupons", "minutes", "hints"), "answers": answers},
    )


def set_lesson(book: Book, exercise: str, seed: int) -> int:
    """Give everybody the same line: a seed for an exercise.

    Raises
    ------
    InputError
        If the exercise is unknown or the seed negative.
    """
    if exercise not in EXERCISES:
        raise InputError("exercise", repr(exercise), ", ".join(EXERCISES), "Choose one of these.")
    if seed < 0:
        raise InputError("--seed", seed, "0 or more", "Choose another number.")
    return book.save_note(LESSON, exercise, {"seed": seed})


def class_progress(book: Book) -> tuple[DrillProgress, ...]:
    """Everybody's exercises, by person and exercise."""
    grouped: dict[tuple[str, str], list[tuple[int, int, datetime]]] = {}
    for note in book.notes(DONE):
        key = (note.name, str(note.data["exercise"]))
        grouped.setdefault(key, []).append((int(note.data["score"]), int(note.data["seed"]), note.at))
    return tuple(
        DrillProgress(
            person,
            exercise,
            len(done),
            max(s for s, _, _ in done),
            done[-1][0],
            tuple(seed for _, seed, _ in done),
            done[-1][2],
        )
        for (person, exercise), done in sorted(grouped.items(), key=lambda i: (i[0][0], EXERCISES.index(i[0][1])))
    )
