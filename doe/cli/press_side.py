"""Scoring at the press: coupon by coupon, stored one at a time, so that stopping loses nothing."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

import pandas as pd
import typer

from doe.acts.base import Key
from doe.acts.scoring.people import people_of_study, record_looks
from doe.acts.study.plans import whole_plan
from doe.acts.study.sheets import people_of
from doe.book.records import StudyRecord
from doe.cli.ask import ask, ask_text
from doe.cli.scoring import Recorded, recorded, symptom_words
from doe.cli.terminal import say
from doe.domain.errors import InputError
from doe.domain.said import read_hand, read_symptoms, read_void, said_check, said_hand
from doe.domain.score import ScoreEntry
from doe.domain.spec import Check
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.symptoms.reading import symptom
from doe.words.wording import amount, count

if TYPE_CHECKING:
    from doe.book.book import Book

T = TypeVar("T")
_WORDS = {"p": "pass", "f": "fail", "s": "skip", "v": "void", "q": "stop"}


class _Stop(Exception):
    """A person has had enough for now."""


def ask_coupons(
    book: Book, record: StudyRecord, shown: Shown, *, people: Sequence[str] | None, washes: bool
) -> Recorded:
    """Ask for the scores of every coupon that waits for one, in press order."""
    whole_plan(book, record)
    results = book.results(record.id)
    checks = [c for c in record.study.spec.checks if bool(c.after_washes) == washes]
    names = list(people or people_of(results))
    if not names and not washes and record.study.spec.hand_min is not None:
        typed = ask_text("Who feels the coupons (Enter: nobody)", default="")
        names = [name for part in typed.split(",") if (name := part.strip())]
    waiting = _waiting(results, checks)
    say(f"{len(waiting)} coupons wait. p pass, f fail, s skip, v void, q stop.")
    done: list[str] = []
    fields = 0
    try:
        for row in waiting.to_dict("records"):
            settings = ", ".join(f"{f.name} {amount(f, row[f.name], shown)}" for f in record.study.factors)
            say(f"\n{row['coupon']}: {settings}")
            entry = _ask_one(row, checks, names)
            if entry is None:
                continue
            fields += book.record(record.id, [entry])
            done.append(entry.coupon)
    except (typer.Abort, KeyboardInterrupt, _Stop):
        say("\nStopped. Every coupon before this one is stored.")
    return recorded(book, record, done, fields)


def _waiting(results: pd.DataFrame, checks: Sequence[Check]) -> pd.DataFrame:
    """Coupons without one of these checks, and without a failure that ends the matter; in press order."""
    columns = [f"check_{c.name}" for c in checks]
    if not columns or results.empty:
        return results.iloc[:0]
    missing = results[columns].isna().any(axis=1) & results["passed"].map(lambda p: p is not False and p != False)  # noqa: E712 - the column holds None as well
    order = [c for c in ("round", "press_order") if c in results]
    return results[missing].sort_values(order) if order else results[missing]


def _ask_one(row: Mapping[Hashable, Any], checks: Sequence[Check], people: Sequence[str]) -> ScoreEntry | None:
    coupon, made = str(row["coupon"]), dict[str, bool]()
    for check in checks:
        if row.get(f"check_{check.name}") in (True, False):
            continue
        word = ask(f"  {check.name} ({check.label})", _word)  # no default: an absent-minded Enter is no pass
        if word == "stop":
            raise _Stop
        if word == "skip":
            return ScoreEntry(coupon, checks=made) if made else None
        if word == "void":
            return ScoreEntry(coupon, void_reason=ask("  what happened to it", _reason))
        made[check.name] = word == "pass"
        if word == "fail":
            break
    symptoms, side = _ask_symptom() if False in made.values() else ((), "")
    transferred = not (checks and made.get(checks[0].name) is False and not checks[0].after_washes)
    felt = {}
    for person in people if transferred else ():
        question = f"  hand-feel, {person}, 1 stiff to 5 soft (Enter: not felt)"
        felt[person] = ask(question, partial(read_hand, where=f"hand {person}"), default="")
    hand = {person: value for person, value in felt.items() if value is not None}
    note = ask_text("  note (Enter: none)", default="")
    return ScoreEntry(coupon, checks=made, symptoms=symptoms, side=side, hand=hand, note=note)


def _word(answer: str) -> str:
    word = _WORDS.get(answer[:1].lower())
    if word is None:
        raise InputError("answer", repr(answer), "p, f, s, v or q", "Type one letter.")
    return word


def _reason(answer: str) -> str:
    found = read_void(answer, "void")
    if found is None:
        raise InputError("void", "nothing", "a reason", "Say in a few words what happened to the coupon.")
    return found


def _ask_symptom() -> tuple[tuple[str, ...], str]:
    words = symptom_words()
    for letter, key in words.letters.items():
        say(f"    {letter}  {symptom(key).label}: {symptom(key).seen}", indent="       ")
    read = partial(read_symptoms, labels=words.labels, where="symptom", letters=words.letters)
    keys = ask("  what is seen (letter or name, Enter: not known)", read, default="")
    return keys, words.side_of(keys)


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
            entry = _look_again(found.record.study, coupon, person)
            if entry.checks or entry.hand:
                fields += record_looks(book, found.record.id, [entry], person)[2]
                done += 1
    except _Stop:
        pass
    return done, fields


def _look_again(study: Study, coupon: str, person: str) -> ScoreEntry:
    checks: dict[str, bool] = {}
    for check in study.spec.checks:
        if not check.after_washes:
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

    return ask(question, reader, default="")
