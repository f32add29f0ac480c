"""Taking scores into the book: from a filled file, for one coupon, from a sheet of ones own, or asked at the press."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence, Sized
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TypeVar

import typer

from doe.acts.base import Key
from doe.acts.gauges.line import gauged_line
from doe.acts.scoring.handled import with_side, with_sides
from doe.acts.scoring.making import Coupon, in_order, making_of
from doe.acts.scoring.people import people_of_study, record_looks
from doe.acts.study.plans import whole_plan
from doe.acts.study.rounds import confirmation_counts, grades_at_odds, score_counts, with_own_waits
from doe.book.book import Book
from doe.book.records import StudyRecord
from doe.book.sheets.entry import EntryFile, read_entry
from doe.cli.ask import Back, ask, ask_text, questions, tell
from doe.cli.terminal import say
from doe.domain.entry import SymptomWords, sheet_letters
from doe.domain.errors import InputError
from doe.domain.finding import Finding
from doe.domain.outcome import PASSED_GRADES, ScoreCounts, grade_fits
from doe.domain.said import (
    GRADE_WORDS,
    read_grade,
    read_hand,
    read_handled,
    read_symptoms,
    read_void,
    said_check,
    said_hand,
)
from doe.domain.score import ScoreEntry
from doe.domain.spec import Check
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.symptoms.catalogue import WORDS, asks_of_handling, short_list, symptom
from doe.words.gauges.dials import Dialled
from doe.words.typed import name_of, pairs, quantity, setting
from doe.words.wording import count


@dataclass(frozen=True)
class Recorded:
    """What was recorded: coupons, new fields, notes, the counts after it, and what brought coupons can tell.

    ``confirmation_counts`` counts the confirmation coupons when there are any.
    """

    study: str
    coupons: int
    new_fields: int
    notes: tuple[Finding | str, ...]
    counts: ScoreCounts
    confirmation_counts: ScoreCounts | None = None
    judgement: tuple[str, ...] = ()


def recorded(
    book: Book,
    record: StudyRecord,
    coupons: Sized,
    fields: int,
    notes: Iterable[Finding | str] = (),
    judgement: Iterable[str] = (),
) -> Recorded:
    """What to say after scores of some coupons were stored; coupons of a confirmation are counted apart."""
    counts, apart = score_counts(book, record.id), confirmation_counts(book, record.id)
    return Recorded(record.name, len(coupons), fields, tuple(notes), counts, apart, tuple(judgement))


def symptom_words() -> SymptomWords:
    """Symptoms by name, and by the letter that stands on the bench sheet."""
    return replace(WORDS, letters=sheet_letters(s.key for s in short_list()))


def read_file(book: Book, record: StudyRecord, path: Path) -> EntryFile:
    """What a filled entry file of a study says; sides are left to `record_entries`, which knows what stands already."""
    coupons = with_own_waits(book, record.id, whole_plan(book, record).coupons)
    found = read_entry(path, record.study, coupons, symptoms=symptom_words(), names=record.names)
    return replace(found, entries=tuple(replace(entry, side="") for entry in found.entries))


def record_entries(book: Book, record: StudyRecord, found: EntryFile, *, why: str) -> Recorded:
    """Store everything that was said, or nothing."""
    fields = book.record(record.id, with_sides(book, record.id, found.entries), why=why)
    odd = grades_at_odds(book, record.id, {entry.coupon for entry in found.entries})
    return recorded(book, record, found.entries, fields, (*found.notes, *odd))


@dataclass(frozen=True)
class ScoreOptions:
    """What was typed for one coupon, still as text."""

    coupon: str | None = None
    passed: Sequence[str] = ()
    failed: Sequence[str] = ()
    symptoms: Sequence[str] = ()
    side: str = ""
    hand: Sequence[str] = ()
    actual: Sequence[str] = ()
    note: str = ""
    void: str | None = None
    grade: str = ""
    handled: str = ""

    @property
    def says_anything(self) -> bool:
        """Whether any of it was given."""
        return self.coupon is not None or any(vars(self).values())


def read_typed(study: Study, typed: ScoreOptions, shown: Shown) -> ScoreEntry:
    """Score entry of what was typed.

    Raises
    ------
    InputError
        If no coupon is named, nothing is said about it, or a part cannot be read.
    """
    if typed.coupon is None:
        raise InputError(
            "--coupon", "nothing", "the name on the label", "Say which coupon it is, such as --coupon R1-03."
        )
    known = {c.name: (c.label,) for c in study.spec.checks}
    passed, failed = (
        [name_of(text, known, option) for text in texts]
        for option, texts in (("--pass", typed.passed), ("--fail", typed.failed))
    )
    both = sorted(set(passed) & set(failed))
    if both:
        raise InputError("--pass and --fail", ", ".join(both), "each check once", "Say pass or fail, not both.")
    words = symptom_words()
    symptoms: list[str] = []
    for text in typed.symptoms:
        symptoms += read_symptoms(text, words.labels, "--symptom", words.letters)
    entry = ScoreEntry(
        typed.coupon,
        checks=dict.fromkeys(passed, True) | dict.fromkeys(failed, False),
        symptoms=tuple(dict.fromkeys(symptoms)),
        side=typed.side,
        hand={
            name: said_hand(value, f"--hand {name}") for name, value in pairs(typed.hand, "--hand", "ana=3.5").items()
        },
        actual=_actual(study, typed.actual, shown),
        note=typed.note,
        void_reason=None if typed.void is None else read_void(typed.void, "--void"),
        grade=read_grade(typed.grade, "--grade"),
        handled=read_handled(typed.handled, "--handled"),
    )
    if not entry.says_anything:
        raise InputError(
            f"coupon {typed.coupon}",
            "nothing said about it",
            "a check, symptom, hand-feel, note or void",
            "Add --pass, --fail, --hand, --note or --void.",
        )
    return entry


def _actual(study: Study, texts: Sequence[str], shown: Shown) -> dict[str, float]:
    made = {}
    for called, value in pairs(texts, "--actual", "press_temp=148").items():
        name = setting(called, study.numeric, "--actual")
        made[name] = quantity(value, study.factor(name).unit, f"--actual {name}", shown)
    return made


T = TypeVar("T")
_ABOUT_CHECK = "p passed, f failed, s leaves this coupon for later, v it is lost or spoiled, q stops."
_ABOUT_HAND = "1 stiff to 5 soft, in half steps, beside the sample you keep."
_HANDLED = "  was the powder even, and was it peeled at its wait (y, n; Enter: not looked)"
_ABOUT_HANDLED = "No: it is no matter of heat. Yes: it is no matter of powder or peel."
_WORDS = {"p": "pass", "f": "fail", "s": "skip", "v": "void", "q": "stop"}


class _Stop(Exception):
    """A person has had enough for now."""


def ask_coupons(
    book: Book, record: StudyRecord, shown: Shown, *, people: Sequence[str] | None, washes: bool
) -> Recorded:
    """Ask for the scores of every coupon that waits for one, in press order."""
    whole_plan(book, record)
    making = making_of(book, record.id)
    checks = [c for c in record.study.spec.checks if c.is_later == washes]
    names = list(people or {name.casefold(): name for name in making.people}.values())
    if not names and not washes and record.study.spec.hand_min is not None:
        typed = ask_text("Who feels the coupons (Enter: nobody)", default="")
        names = [name for part in typed.split(",") if (name := part.strip())]
    waiting = in_order(c for c in making.coupons if c.misses(checks))
    dialled = Dialled(record.study, gauged_line(book, record), shown)
    say(f"{len(waiting)} coupons wait. p pass, f fail, s skip, v void, q stop; ? tells more, back corrects.")
    done: dict[str, ScoreEntry] = {}
    fields = place = 0
    try:
        while place < len(waiting):
            coupon = waiting[place]
            settings = ", ".join(f"{f.name} {dialled.amount(f, coupon.settings[f.name])}" for f in record.study.factors)
            say(f"\n{coupon.name}: {settings}")
            try:
                entry = questions(partial(_ask_one, coupon, checks, names, record.study.asks_grades), may_leave=True)
            except Back:
                say("This is the first coupon of those that wait." if place == 0 else "Back to the coupon before.")
                place = max(0, place - 1)
                continue
            place += 1
            if entry is not None:
                entry = with_side(entry, {name: stored.value for name, stored in coupon.said.items()})
                fields += _store(book, record.id, entry, done.get(coupon.name))
                done[coupon.name] = entry
    except (typer.Abort, KeyboardInterrupt, _Stop):
        say("\nStopped. Every coupon before this one is stored.")
    return recorded(book, record, done, fields, grades_at_odds(book, record.id, done))


def _store(book: Book, study: int, entry: ScoreEntry, before: ScoreEntry | None) -> int:
    """Store a coupon, or put right what was said of it a moment ago; returns the new fields."""
    if before is None:
        return book.record(study, [entry])
    said = dict(entry.fields())
    gone = [name for name, _ in before.fields() if name not in said]
    entry = replace(entry, cleared=tuple(name for name in gone if name != "void"))
    if "void" in gone:
        entry = replace(entry, void_reason="")
    return book.record(study, [entry], why="typed wrongly, put right at once")


def _ask_one(coupon: Coupon, checks: Sequence[Check], people: Sequence[str], grades: bool) -> ScoreEntry | None:
    made: dict[str, bool] = {}
    for check in checks:
        if coupon.check(check.name) is not None:
            continue
        word = ask(
            f"  {check.name} ({check.label})", _word, about=_ABOUT_CHECK
        )  # no default: an absent-minded Enter is no pass
        if word == "stop":
            raise _Stop
        if word == "skip":
            return ScoreEntry(coupon.name, checks=made) if made else None
        if word == "void":
            return ScoreEntry(
                coupon.name, void_reason=ask("  what happened to it", _reason, about="Such as: film torn.")
            )
        made[check.name] = word == "pass"
        if word == "fail":
            break
    grade = _ask_grade(coupon, all(made.values())) if made and (grades or "grade" in coupon.said) else ""
    symptoms, handled = _ask_symptom() if False in made.values() else ((), "")
    transferred = not (checks and made.get(checks[0].name) is False and not checks[0].is_later)
    felt = {}
    for person in people if transferred else ():
        question = f"  hand-feel, {person}, 1 stiff to 5 soft (Enter: not felt)"
        felt[person] = ask(question, partial(read_hand, where="hand-feel"), default="", about=_ABOUT_HAND)
    hand = {person: value for person, value in felt.items() if value is not None}
    note = ask_text("  note (Enter: none)", default="")
    return ScoreEntry(coupon.name, checks=made, symptoms=symptoms, hand=hand, note=note, grade=grade, handled=handled)


def _word(answer: str) -> str:
    word = _WORDS.get(answer[:1].lower())
    if word is None:
        raise InputError("answer", repr(answer), "p, f, s, v or q", "Type one letter.")
    return word


def _ask_grade(coupon: Coupon, passed: bool) -> str:
    said = coupon.said.get("grade")
    if said is not None and grade_fits(str(said.value), passed):
        return ""
    words = [word for grade, word in GRADE_WORDS.items() if (grade in PASSED_GRADES) == passed]
    result = "passed clean or only just (c, j" if passed else "failed slightly or badly (s, b"

    def read(answer: str) -> str:
        grade = read_grade(answer, "grade")
        if not grade_fits(grade, passed):
            raise InputError("grade", repr(answer), " or ".join(words), "Say how clear it is, or press Enter.")
        return grade

    return ask(f"  {result}; Enter: no grade)", read, default="", about="One of the letters.")


def _reason(answer: str) -> str:
    found = read_void(answer, "void")
    if found is None:
        raise InputError("void", "nothing", "a reason", "Say in a few words what happened to the coupon.")
    return found


def _ask_symptom() -> tuple[tuple[str, ...], str]:
    words = symptom_words()
    for letter, key in words.letters.items():
        tell(f"    {letter}  {symptom(key).label}: {symptom(key).seen}", indent="       ")
    read = partial(read_symptoms, labels=words.labels, where="symptom", letters=words.letters)
    about = "Letters or names of the list above, comma between several."
    keys = ask("  what is seen (letter or name, Enter: not known)", read, default="", about=about)
    if not asks_of_handling(keys):
        return keys, ""
    return keys, ask(_HANDLED, partial(read_handled, where="answer"), default="", about=_ABOUT_HANDLED)


# a further look


def ask_again(book: Book, key: Key, person: str) -> tuple[int, int]:
    """Ask for every coupon worth a second look, one at a time, each stored before the next; nothing of the first shows.

    Returns
    -------
    (int, int)
        Coupons looked at, and new fields.
    """
    found = people_of_study(book, key)
    if not found.again:
        raise InputError(
            f"--again on {found.record.name}",
            "enough coupons were looked at again",
            "coupons nobody looked at again",
            "Name one with --coupon, or see: doe people.",
        )
    say(
        f"{person} looks again at {count(len(found.again), 'coupon')}, without settings and first scores. "
        "Enter skips, q stops; what was said is stored."
    )
    done = fields = 0
    try:
        for coupon in found.again:
            entry = questions(partial(_look_again, found.record.study, coupon, person))
            if entry.checks or entry.hand:
                fields += record_looks(book, found.record.id, [entry], person)[2]
                done += 1
    except _Stop:
        pass
    return done, fields


def _look_again(study: Study, coupon: str, person: str) -> ScoreEntry:
    checks: dict[str, bool] = {}
    for check in study.spec.checks:
        if not check.is_later:
            read = partial(said_check, where=f"{coupon}, {check.name}")
            made = _ask_or_skip(f"{coupon}, {check.name.replace('_', ' ')} (p or f)", read)
            checks |= {} if made is None else {check.name: made}
    hand = None
    if study.spec.hand_min is not None:
        hand = _ask_or_skip(f"{coupon}, hand-feel 1 to 5", partial(said_hand, where=f"{coupon}, hand-feel"))
    return ScoreEntry(coupon, checks=checks, hand={} if hand is None else {person: hand})


def _ask_or_skip(question: str, read: Callable[[str], T]) -> T | None:
    def reader(answer: str) -> T | None:
        if answer.lower() == "q":
            raise _Stop
        return None if answer.lower() in ("", "s") else read(answer)

    return ask(question, reader, default="", about="Your answer as asked; Enter skips, q stops.")
