"""Scoring at the press: coupon by coupon, stored one at a time, so that stopping loses nothing."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd
import typer

from doe.acts.base import Key
from doe.acts.study.plans import whole_plan
from doe.acts.study.sheets import people_of
from doe.cli.ask import ask, ask_text
from doe.cli.scoring import Recorded, recorded, symptom_words
from doe.cli.terminal import say
from doe.domain.errors import InputError
from doe.domain.said import read_hand, read_symptoms, read_void
from doe.domain.score import ScoreEntry
from doe.domain.spec import Check
from doe.domain.study import Study
from doe.domain.units import Shown
from doe.symptoms.reading import symptom
from doe.words.wording import amount

if TYPE_CHECKING:
    from doe.book.book import Book

_WORDS = {"p": "pass", "f": "fail", "s": "skip", "v": "void", "q": "stop"}


class _Stop(Exception):
    """A person has had enough for now."""


def ask_coupons(
    book: Book, key: Key, shown: Shown, *, people: Sequence[str] | None = None, washes: bool = False
) -> Recorded:
    """Ask for the scores of every coupon that waits for one, in press order."""
    record = book.study(key)
    whole_plan(book, record)
    results = book.results(record.id)
    checks = [c for c in record.study.spec.checks if bool(c.after_washes) == washes]
    names = tuple(people) if people else people_of(results)
    if not names and not washes and record.study.spec.hand_min is not None:
        names = tuple(
            part.strip()
            for part in ask_text("Who feels the coupons (Enter: nobody)", default="").split(",")
            if part.strip()
        )
    waiting = _waiting(results, checks)
    say(f"{len(waiting)} coupons wait. p pass, f fail, s skip, v void, q stop.")
    done: list[str] = []
    fields = 0
    try:
        for row in waiting.to_dict("records"):
            settings = ", ".join(f"{f.name} {amount(f, row[f.name], shown)}" for f in record.study.factors)
            say(f"\n{row['coupon']}: {settings}")
            entry = _ask_one(record.study, row, checks, names)
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


def _ask_one(
    study: Study, row: Mapping[Hashable, Any], checks: Sequence[Check], people: Sequence[str]
) -> ScoreEntry | None:
    made: dict[str, bool] = {}
    for check in checks:
        if row.get(f"check_{check.name}") in (True, False):
            continue
        word = ask(f"  {check.name} ({check.label})", _word)  # no default: an absent-minded Enter is no pass
        if word == "stop":
            raise _Stop
        if word == "skip":
            return ScoreEntry(str(row["coupon"]), checks=made) if made else None
        if word == "void":
            return ScoreEntry(str(row["coupon"]), void_reason=ask("  what happened to it", _reason))
        made[check.name] = word == "pass"
        if word == "fail":
            break
    symptoms, side = _ask_symptom() if False in made.values() else ((), "")
    transferred = not (checks and made.get(checks[0].name) is False and not checks[0].after_washes)
    hand = _ask_hand(people) if transferred else {}
    note = ask_text("  note (Enter: none)", default="")
    return ScoreEntry(str(row["coupon"]), checks=made, symptoms=symptoms, side=side, hand=hand, note=note)


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

    def read(answer: str) -> tuple[str, ...]:
        return read_symptoms(answer, words.labels, "symptom", words.letters)

    keys = ask("  what is seen (letter or name, Enter: not known)", read, default="")
    return keys, words.side_of(keys)


def _ask_hand(people: Sequence[str]) -> dict[str, float]:
    made = {}
    for person in people:

        def read(answer: str, who: str = person) -> float | None:
            return read_hand(answer, f"hand {who}")

        value = ask(f"  hand-feel, {person}, 1 stiff to 5 soft (Enter: not felt)", read, default="")
        if value is not None:
            made[person] = value
    return made
