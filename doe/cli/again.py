"""`doe record --again`: a further, blind look at coupons, from a file, by options, or asked one by one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from doe.acts.base import Key
from doe.acts.scoring.people import people_of_study, record_looks
from doe.acts.study.plans import whole_plan
from doe.book.sheets.entry import read_entry
from doe.cli import scoring
from doe.cli.desk import Desk
from doe.cli.output import Reply, Warn
from doe.cli.scoring import ScoreOptions
from doe.cli.terminal import say
from doe.domain.errors import InputError
from doe.domain.said import said_check, said_hand
from doe.domain.score import ScoreEntry
from doe.domain.study import Study
from doe.domain.texts import quoted
from doe.words.people import missing_words
from doe.words.study.plans import plan_notes
from doe.words.wording import count

if TYPE_CHECKING:
    from doe.book.book import Book


def record_again(
    desk: Desk, book: Book, key: Key, *, file: Path | None, one: ScoreOptions, own_sheet: Path | None
) -> Reply:
    """Store further looks; nothing of the first scores is shown."""
    record = book.study(key)
    notes: tuple[str, ...] = ()
    if own_sheet is not None:
        raise InputError("--again", "a sheet of your own", "an entry file, one coupon, or nothing", "Leave one out.")
    if file is not None:
        found = read_entry(file, record.study, whole_plan(book, record).coupons, symptoms=scoring.symptom_words())
        entries, notes = list(found.entries), plan_notes(found.notes, record.study, desk.shown)
    elif one.says_anything:
        entries = [scoring.read_typed(record.study, one, desk.shown, confirm=desk.confirm)]
    elif desk.can_ask:
        return _asked(desk, book, key)
    else:
        raise InputError("doe record --again", "nothing to record", "--file or --coupon", "See: doe record --help.")
    _, coupons, fields, left = record_looks(book, record.id, entries, desk.name)
    return _reply(record.name, coupons, fields, (*notes, *missing_words(left)), count(coupons, "coupon"))


def _asked(desk: Desk, book: Book, key: Key) -> Reply:
    """Ask for every coupon worth a second look, one at a time, each stored before the next."""
    found = people_of_study(book, key)
    study, person = found.record.study, desk.name
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
    for coupon in found.again:
        entry = _ask_one(study, coupon, person)
        if entry is None:
            break
        if entry.checks or entry.hand:
            fields += record_looks(book, found.record.id, [entry], person)[2]
            done += 1
    return _reply(found.record.name, done, fields, (), count(done, "coupon"))


def _ask_one(study: Study, coupon: str, person: str) -> ScoreEntry | None:
    """What is said about one coupon; None to stop."""
    checks: dict[str, bool] = {}
    for check in study.spec.checks:
        if check.after_washes:
            continue
        while True:
            word = typer.prompt(f"{coupon}, {check.name.replace('_', ' ')} (p or f)", default="", show_default=False)
            word = word.strip().lower()
            if word == "q":
                return None
            if word in ("", "s"):
                break
            try:
                checks[check.name] = said_check(word, f"{coupon}, {check.name}")
                break
            except InputError:
                say("Type p for pass, f for fail, Enter to skip, or q to stop.")
    hand: dict[str, float] = {}
    while study.spec.hand_min is not None:
        text = typer.prompt(f"{coupon}, hand-feel 1 to 5", default="", show_default=False).strip().lower()
        if text == "q":
            return None
        if text in ("", "s"):
            break
        try:
            value = said_hand(text, f"{coupon}, hand-feel")
        except InputError as error:
            say(str(error))
            continue
        hand[person] = value
        break
    return ScoreEntry(coupon, checks=checks, hand=hand)


def _reply(study: str, coupons: int, fields: int, notes: tuple[str, ...], counted: str) -> Reply:
    return Reply(
        {"study": study, "coupons": coupons, "new_fields": fields, "again": True, "notes": notes},
        (
            f"{counted} looked at again: {count(fields, 'new entry', 'new entries')}, kept beside the first scores. No "
            "result of the study changed.",
            *(Warn(n) for n in notes),
        ),
        (f"doe people {quoted(study)}",),
    )
